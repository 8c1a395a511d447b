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
	var stop context.CancelFunc // of the job under way
	var result chan int
	end := func() int {
		if result == nil {
			return exitDone
		}
		stop()
		code := <-result
		stop, result = nil, nil
		return code
	}
	for {
		select {
		case <-ctx.Done():
			return end()
		case code := <-result: // it has failed
			stop()
			return code
		case line, more := <-lines:
			word, file, _ := strings.Cut(line, " ")
			switch {
			case !more:
				return end()
			case word == "job" && result == nil:
				var jctx context.Context
				jctx, stop = context.WithCancel(ctx)
				result = make(chan int, 1)
				go func() { result <- do(jctx, file, on, stdout, stderr) }()
			case line == "end" && result != nil:
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
