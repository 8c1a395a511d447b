package rehearse

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"html/template"
	"io"
	"math"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	text "text/template"
	"time"

	"example.org/understudy/harness/show"
)

//go:embed page.tmpl
var pageText string

//go:embed summary.tmpl
var summaryText string

var (
	pageTemplate    = template.Must(template.New("page").Funcs(writing).Parse(pageText))
	summaryTemplate = text.Must(text.New("summary").Funcs(text.FuncMap(writing)).Parse(summaryText))
)

// writing are the ways in which page and text write figures.
var writing = template.FuncMap{
	"style":  func() template.CSS { return template.CSS(show.Sheet) },
	"figure": figure,
	"dB":     decibels,
	"join":   func(all []string) string { return strings.Join(all, ", ") },
	"pct": func(v float64) string {
		if math.IsNaN(v) {
			return "–"
		}
		return fmt.Sprintf("%.1f", 100*v)
	},
	"count":   count,
	"stalls":  func(s Spans) template.HTML { return lengths(&s, 100*time.Millisecond, 20*time.Second) },
	"away":    func(s Spans) template.HTML { return lengths(&s, time.Second, 8*time.Hour) },
	"pct3":    func(v float64) string { return fmt.Sprintf("%.3f", 100*v) },
	"ppm":     func(v float64) string { return fmt.Sprintf("%.0f", 1e6*v) },
	"counted": perMillion,
	"short":   short,
	"spread":  func(s Spans) string { return spread(&s) },
	"percent": func(v float64) string { return fmt.Sprintf("%.0f", 100*v) },
	"lost": func(c ChangeRow) string {
		if c.Lost > 0 && !math.IsNaN(c.LostError) {
			return withError(c.Lost, c.LostError)
		}
		return figure(c.Lost)
	},
	"pm": func(v, err float64) string {
		switch {
		case v == 0:
			return "none"
		case math.IsNaN(err):
			return fmt.Sprintf("%.2f", v)
		}
		return fmt.Sprintf("%.2f ± %.2f", v, err)
	},
	"ms": func(d time.Duration) string {
		switch {
		case d == math.MaxInt64:
			return "∞"
		case d > 0 && d < 10*time.Millisecond:
			return fmt.Sprintf("%.2g", d.Seconds()*1000)
		}
		return fmt.Sprintf("%.0f", d.Seconds()*1000)
	},
	"sec": func(d time.Duration) string {
		switch {
		case d == 0:
			return "–"
		case d < 10*time.Second:
			return fmt.Sprintf("%.2g", d.Seconds())
		}
		return fmt.Sprintf("%.0f", d.Seconds())
	},
	"worst": func(w [3]float64) string {
		limit := func(v float64) string {
			if math.IsNaN(v) {
				return "–"
			}
			return fmt.Sprintf("%.0f", v)
		}
		return fmt.Sprintf("%.0f (%s, %s)", w[0], limit(w[1]), limit(w[2]))
	},
	"value": func(i Index) string {
		v, _, _ := strings.Cut(i.String(), " ")
		return v
	},
	"index_": func(i Index) template.HTML {
		if math.IsInf(i.Value, 0) {
			return "–"
		}
		return template.HTML(fmt.Sprintf("%.2f <small>%.2f to %.2f</small>", i.Value, i.Low, i.High))
	},
}

// count is how often something happens on average.
func count(v float64) string {
	switch {
	case v == 0:
		return "–"
	case v < 10:
		return fmt.Sprintf("%.2g", v)
	}
	return fmt.Sprintf("%.0f", v)
}

// HTML writes the report as one page that stands alone.
func (s *Summary) HTML(w io.Writer) error {
	page := struct {
		*Summary
		Plan, Bars template.HTML
		Cells      []template.HTML
		Place      string
		Walking    float64
		Tried      int
	}{s, s.plan(), s.bars(), nil, strings.ReplaceAll(s.line.Place.String(), "-", " "), s.line.walking, min(tried, s.shifts)}
	for i := range s.Gauges {
		if !s.Gauges[i].Wired {
			page.Cells = append(page.Cells, s.cell(&s.Gauges[i]))
		}
	}
	return pageTemplate.Execute(w, page)
}

// PDF prints the page to a file.
func (s *Summary) PDF(ctx context.Context, file string) error { return PDF(ctx, s.HTML, file) }

// Again says over which shifts the changes were tried.
func (s *Summary) Again() string {
	n := min(tried, s.shifts)
	if n == 1 {
		return "The first shift again, with the same random seeds, and one thing changed."
	}
	return fmt.Sprintf("The first %d shifts again, with the same random seeds, and one thing changed; ± is one standard error.", n)
}

// Busiest are the ports with the greatest use.
func (s *Summary) Busiest(n int) []PortRow {
	ports := slices.Clone(s.Ports)
	sort.SliceStable(ports, func(i, j int) bool { return ports[i].Use > ports[j].Use })
	return ports[:min(len(ports), n)]
}

// perMillion is a share with its Monte Carlo error, in a million.
func perMillion(v, err float64) string {
	switch {
	case v == 0:
		return "none"
	case math.IsNaN(err):
		return fmt.Sprintf("%.0f", 1e6*v)
	}
	return fmt.Sprintf("%.0f ± %.0f", 1e6*v, 1e6*err)
}

func (i Index) String() string {
	if math.IsInf(i.Value, 0) {
		return "–"
	}
	return fmt.Sprintf("%.2f (%.2f to %.2f)", i.Value, i.Low, i.High)
}

// Told are the spells that the text tells of: of a station that is told as a whole not
// those of its gauges.
func (s *Summary) Told() (told []SpellRow) {
	for i, r := range s.Spells {
		if r.Gauge == "" || i == 0 || s.Spells[i-1].Station != r.Station {
			told = append(told, r)
		}
	}
	return told
}

// Text writes what matters as plain text.
func (s *Summary) Text(w io.Writer) error { return summaryTemplate.Execute(w, s) }

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
