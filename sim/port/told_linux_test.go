package port

import (
	"io"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// What a host has sent is not told until the sink has it.
//
// Kind: process.
func TestTold(t *testing.T) {
	for _, c := range []struct {
		name string
		open func(Config, func(Event)) (Port, error)
	}{
		{"pty", func(c Config, sink func(Event)) (Port, error) { return OpenPTY(c, sink) }},
		{"tcp", func(c Config, sink func(Event)) (Port, error) { p, _, err := OpenTCP(c, sink); return p, err }},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, went := make(chan struct{}), make(chan struct{})
			p, err := c.open(Config{Name: "g", Dir: t.TempDir()}, func(e Event) {
				if e.Kind == Received {
					close(got)
					<-went
				}
			})
			require.NoError(t, err)
			defer p.Close()
			var host io.ReadWriteCloser
			if c.name == "pty" {
				host = open(t, p)
			} else {
				host = dial(t, p)
			}
			defer host.Close()
			told := p.(Teller).Told
			require.Eventually(t, told, patience, time.Millisecond, "nothing was sent")
			_, err = host.Write([]byte("I\r\n"))
			require.NoError(t, err)
			require.Eventually(t, func() bool { return !told() }, patience, time.Millisecond, "on its way")
			<-got
			require.False(t, told(), "the sink has it in hand")
			close(went)
			require.Eventually(t, told, patience, time.Millisecond, "the sink has it")
		})
	}
}
