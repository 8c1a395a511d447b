package host

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"strings"
)

// doJobs does jobs one after the other: a line "job FILE" begins one, "end"
// ends it, which is answered by a line "ended" when its records are complete.
// It returns when in ends or ctx is done, and when a job fails.
func doJobs(ctx context.Context, on defects, in io.Reader, stdout, stderr io.Writer) int {
	lines := make(chan string)
	done := make(chan struct{})
	defer close(done)
	go func() {
		defer close(lines)
		for s := bufio.NewScanner(in); s.Scan(); {
			select {
			case lines <- s.Text():
			case <-done:
				return
			}
		}
	}()
	var now *underway
	end := func() (code int) {
		if now != nil {
			now.stop()
			code = <-now.code
			now = nil
		}
		return code
	}
	for {
		var failed chan int
		if now != nil {
			failed = now.code
		}
		select {
		case <-ctx.Done():
			return end()
		case code := <-failed:
			now.stop()
			return code
		case line, more := <-lines:
			word, file, _ := strings.Cut(line, " ")
			switch {
			case !more:
				return end()
			case word == "job" && now == nil:
				now = begin(ctx, file, on, stdout, stderr)
			case line == "end" && now != nil:
				if code := end(); code != exitDone {
					return code
				}
				fmt.Fprintln(stdout, "ended")
			default:
				fmt.Fprintf(stderr, "refhost: %q is not what comes next; write job FILE, then end, and so on\n", line)
				end()
				return exitBadCall
			}
		}
	}
}

// underway is a job that is being done.
type underway struct {
	stop context.CancelFunc
	code chan int
}

func begin(ctx context.Context, file string, on defects, stdout, stderr io.Writer) *underway {
	ctx, stop := context.WithCancel(ctx)
	u := &underway{stop, make(chan int, 1)}
	go func() { u.code <- do(ctx, file, on, stdout, stderr) }()
	return u
}
