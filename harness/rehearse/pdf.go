package rehearse

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"
)

// ErrNoBrowser is returned by PDF when no browser is there to print the page.
var ErrNoBrowser = errors.New("a PDF needs the program chromium to print the page; it is not installed (write the page with --html and print it from any browser)")

// PDF prints a page to a file with Chromium.
func PDF(ctx context.Context, html func(io.Writer) error, file string) (err error) {
	var program string
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if program, err = exec.LookPath(name); err == nil {
			break
		}
	}
	if program == "" {
		return ErrNoBrowser
	}
	dir, err := os.MkdirTemp("", "understudy-page-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	page := filepath.Join(dir, "page.html")
	f, err := os.Create(page)
	if err != nil {
		return err
	}
	if err := errors.Join(html(f), f.Close()); err != nil {
		return err
	}
	out := filepath.Join(dir, "page.pdf")
	ctx, stop := context.WithTimeout(ctx, 2*time.Minute)
	defer stop()
	cmd := exec.CommandContext(ctx, program, "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--no-pdf-header-footer",
		"--user-data-dir="+filepath.Join(dir, "profile"), "--print-to-pdf="+out, (&url.URL{Scheme: "file", Path: page}).String())
	cmd.Env = append(os.Environ(), "TMPDIR="+dir)
	said, err := cmd.CombinedOutput()
	if err != nil {
		return fmt.Errorf("%s did not print the page: %w: %s", filepath.Base(program), err, lastLine(said))
	}
	b, err := os.ReadFile(out)
	if err != nil || !strings.HasPrefix(string(b), "%PDF-") {
		return fmt.Errorf("%s wrote no PDF: %s", filepath.Base(program), lastLine(said))
	}
	return os.WriteFile(file, b, 0o644)
}

func lastLine(b []byte) string {
	lines := strings.Split(strings.TrimSpace(string(b)), "\n")
	return lines[len(lines)-1]
}
