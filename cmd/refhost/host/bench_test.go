package host

import (
	"testing"
	"time"

	"example.org/understudy/sim/wire"
)

// The host's whole way from bytes to rows, as a multiple of decoding alone in
// the same run.
func BenchmarkBytesToRows(b *testing.B) {
	talk := talkerFor(b, lineASCII, nil)
	var frames [][]byte
	for n := range int64(1000) {
		frames = append(frames, frame(b, talk.dialect, said{tag: n + 1, values: []string{"8.0014"}}))
	}
	h := newMind(plainJob(), nil)
	end := talk.dialect.NewEnd(wire.Host)
	nothing := func(wire.Incoming) {}
	var whole, bare time.Duration
	b.ReportAllocs()
	for n := 0; b.Loop(); n++ {
		f := frames[n%len(frames)]
		start := time.Now()
		talk.receive(f, 0)
		ms, _ := talk.taken()
		h.read(0, ms, dayOne.Add(time.Duration(n)*time.Second))
		for _, r := range h.take() {
			r.columns()
		}
		middle := time.Now()
		end.Receive(f, 0, nothing)
		whole, bare = whole+middle.Sub(start), bare+time.Since(middle)
	}
	b.ReportMetric(float64(whole)/float64(bare), "times-decoding")
}
