package rehearse

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"html"
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
	"time"
)

//go:embed page.tmpl
var pageText string

var pageTemplate = template.Must(template.New("page").Funcs(template.FuncMap{
	"figure": figure,
	"pct": func(v float64) string {
		if math.IsNaN(v) {
			return "–"
		}
		return fmt.Sprintf("%.1f", 100*v)
	},
	"count":   count,
	"stalls":  func(s Spans) template.HTML { return template.HTML(lengths(&s, 100*time.Millisecond, 20*time.Second)) },
	"away":    func(s Spans) template.HTML { return template.HTML(lengths(&s, time.Second, 8*time.Hour)) },
	"pct3":    func(v float64) string { return fmt.Sprintf("%.3f", 100*v) },
	"ppm":     func(v float64) string { return fmt.Sprintf("%.0f", 1e6*v) },
	"counted": perMillion,
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
	"index_": func(i Index) template.HTML {
		return template.HTML(fmt.Sprintf("%.2f <small>%.2f to %.2f</small>", i.Value, i.Low, i.High))
	},
}).Parse(pageText))

func gauges(n int) string {
	if n == 1 {
		return "1 gauge"
	}
	return fmt.Sprintf("%d gauges", n)
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

// lengths draws how many spans are how long, a bar for each doubling from a
// length to another; shorter and longer ones are in the first and the last bar.
func lengths(s *Spans, from, to time.Duration) string {
	if s.N == 0 {
		return ""
	}
	first, last := binOf(from)/8, binOf(to)/8
	bars := make([]int, last-first+1)
	most := 0
	for _, b := range s.Bins {
		i := min(max(b[0]/8-first, 0), last-first)
		bars[i] += b[1]
		most = max(most, bars[i])
	}
	const w, h = 112.0, 18.0
	step := w / float64(len(bars))
	var b strings.Builder
	fmt.Fprintf(&b, `<svg viewBox="0 0 %.0f %.0f" role="img" aria-label="lengths">`, w, h)
	for i, n := range bars {
		if n > 0 {
			tall := (h - 1) * math.Log1p(float64(n)) / math.Log1p(float64(most))
			fmt.Fprintf(&b, `<rect x="%.1f" y="%.1f" width="%.1f" height="%.1f" fill="var(--blue)"/>`, float64(i)*step, h-1-tall, step-1, tall)
		}
	}
	fmt.Fprintf(&b, `<line x1="0" y1="%.1f" x2="%.0f" y2="%.1f" stroke="var(--line)"/></svg>`, h-0.5, w, h-0.5)
	return b.String()
}

// HTML writes the report as one page that stands alone.
func (s *Summary) HTML(w io.Writer) error {
	page := struct {
		*Summary
		Plan, Bars template.HTML
		Cells      []template.HTML
	}{s, template.HTML(s.plan()), template.HTML(s.bars()), nil}
	for i := range s.Gauges {
		page.Cells = append(page.Cells, template.HTML(s.cell(&s.Gauges[i])))
	}
	return pageTemplate.Execute(w, page)
}

// plan draws the floor from above, y upwards.
func (s *Summary) plan() string {
	l := s.line
	var b strings.Builder
	low, high := [2]float64{math.Inf(1), math.Inf(1)}, [2]float64{math.Inf(-1), math.Inf(-1)}
	reach := func(p [2]float64) {
		for k := range 2 {
			low[k], high[k] = math.Min(low[k], p[k]), math.Max(high[k], p[k])
		}
	}
	for i := range l.gauges {
		reach(l.gauges[i].at)
	}
	for i := range l.radios {
		reach(l.radios[i].at)
	}
	for i := range l.Obstacles {
		reach(l.Obstacles[i].From.metres())
		reach(l.Obstacles[i].To.metres())
	}
	const width, edge = 900.0, 46.0
	scale := math.Min((width-2*edge)/math.Max(high[0]-low[0], 1), 560/math.Max(high[1]-low[1], 1))
	height := float64((high[1]-low[1])*scale) + 2*edge
	left := (width - float64((high[0]-low[0])*scale)) / 2
	px := func(p [2]float64) (x, y float64) {
		return left + float64((p[0]-low[0])*scale), height - edge - float64((p[1]-low[1])*scale)
	}
	fmt.Fprintf(&b, `<svg viewBox="0 0 %.0f %.0f" width="%.0f" height="%.0f" role="img" aria-label="plan of the line with the margin of each link"><rect width="100%%" height="100%%" fill="var(--panel)"/>`, width, height+18, width, height+18)
	text := func(x, y float64, class, anchor, words string) {
		fmt.Fprintf(&b, `<text x="%.1f" y="%.1f" class="%s" text-anchor="%s">%s</text>`, x, y, class, anchor, html.EscapeString(words))
	}
	var walls strings.Builder // their names
	for i := range l.Obstacles {
		o := &l.Obstacles[i]
		x1, y1 := px(o.From.metres())
		x2, y2 := px(o.To.metres())
		fmt.Fprintf(&b, `<line x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f" stroke="var(--soft)" stroke-width="6" stroke-linecap="round" opacity=".55"><title>%s</title></line>`, x1, y1, x2, y2, html.EscapeString(o.Name))
		fmt.Fprintf(&walls, `<text x="%.1f" y="%.1f" class="small">%s</text>`, (x1+x2)/2+6, (y1+y2)/2-6, html.EscapeString(fmt.Sprintf("%s, %s dB", o.Name, o.Loss.DB)))
	}
	// Labels are drawn last, over the lines; a gauge's number stands on the side
	// away from its receiver, and its station's name beyond it.
	type label struct {
		x, y        float64
		class, text string
	}
	var labels []label
	names := map[string]*label{}
	counted, placed := map[string]int{}, map[string]int{}
	for i := range l.gauges {
		counted[l.gauges[i].station]++
	}
	rise := make([]float64, len(l.radios)) // of a receiver's gauges over it
	for i := range l.gauges {
		g := &l.gauges[i]
		x, y := px(g.at)
		x += float64((float64(placed[g.station]) - float64(counted[g.station]-1)/2) * 26)
		placed[g.station]++
		row := &s.Gauges[i]
		rx, ry := px(l.radios[g.radio].at)
		rise[g.radio] += ry - y
		dash, colour, class := "", "var(--good)", "small"
		switch {
		case row.Margin < 10:
			dash, colour, class = "2 4", "var(--bad)", "small low"
		case row.Margin < 20:
			dash, colour, class = "8 4", "var(--warn)", "small some"
		}
		fmt.Fprintf(&b, `<line x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f" stroke="%s" stroke-width="1.5" stroke-dasharray="%s"><title>%s</title></line>`, x, y, rx, ry, colour, dash, html.EscapeString(fmt.Sprintf("%s to %s: %.1f dB", row.Name, row.Receiver, row.Margin)))
		fmt.Fprintf(&b, `<circle cx="%.1f" cy="%.1f" r="5" fill="var(--blue)"><title>%s</title></circle>`, x, y, html.EscapeString(row.Name))
		below := ry <= y
		at := y - 9
		if below {
			at = y + 16
		}
		labels = append(labels, label{x, at, class, fmt.Sprintf("%.0f", row.Margin)})
		if names[g.station] == nil {
			sx, _ := px(g.at)
			names[g.station] = &label{sx, at - 12, "", g.station}
			if below {
				names[g.station].y = at + 14
			}
			labels = append(labels, *names[g.station])
		}
	}
	for i := range l.radios {
		x, y := px(l.radios[i].at)
		fmt.Fprintf(&b, `<rect x="%.1f" y="%.1f" width="12" height="12" fill="var(--ink)"/>`, x-6, y-6)
		if rise[i] > 0 {
			labels = append(labels, label{x, y + 19, "", l.radios[i].name})
		} else {
			labels = append(labels, label{x, y - 11, "", l.radios[i].name})
		}
	}
	b.WriteString(walls.String())
	for _, t := range labels {
		text(t.x, t.y, t.class, "middle", t.text)
	}
	metre := niceLength((high[0] - low[0]) / 5)
	fmt.Fprintf(&b, `<line x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f" stroke="var(--ink)" stroke-width="2"/>`, edge, height+6, edge+float64(metre*scale), height+6)
	text(edge+float64(metre*scale)+6, height+10, "", "start", fmt.Sprintf("%g m", metre))
	b.WriteString("</svg>")
	return b.String()
}

func niceLength(v float64) float64 {
	for _, n := range []float64{0.2, 0.5, 1, 2, 5, 10, 20, 50, 100} {
		if n >= v {
			return n
		}
	}
	return 200
}

// cell draws one gauge's charge over the shift.
func (s *Summary) cell(g *GaugeRow) string {
	const w, h = 170.0, 62.0
	var b strings.Builder
	fmt.Fprintf(&b, `<svg viewBox="0 0 %.0f %.0f" role="img" aria-label="%s: charge over the shift"><text x="0" y="11">%s</text><text x="%.0f" y="11" text-anchor="end" class="small">ends %.0f %%, worst %.0f %%</text>`,
		w, h+18, html.EscapeString(g.Name), html.EscapeString(g.Name), w, g.End, g.EndWorst[0])
	fmt.Fprintf(&b, `<rect x="0" y="16" width="%.0f" height="%.0f" fill="var(--panel)"/>`, w, h)
	shift := float64(s.line.Shift)
	for _, p := range s.line.Breaks {
		fmt.Fprintf(&b, `<rect x="%.1f" y="16" width="%.1f" height="%.0f" fill="var(--line)"/>`, w*float64(p.At)/shift, w*float64(p.For)/shift, h)
	}
	n := len(g.median)
	if n < 2 {
		b.WriteString("</svg>")
		return b.String()
	}
	at := func(i int, v float64) string {
		return fmt.Sprintf("%.1f,%.1f", w*float64(i)/float64(n-1), 16+h-h*v/100)
	}
	var line, band []string
	for i := range n {
		line = append(line, at(i, g.median[i]))
		band = append(band, at(i, g.worst[i]))
	}
	back := slices.Clone(line)
	slices.Reverse(back)
	colour := "var(--blue)"
	if g.EndWorst[0] < 20 {
		colour = "var(--bad)"
	}
	fmt.Fprintf(&b, `<polygon points="%s" fill="var(--band)"/><polyline points="%s" fill="none" stroke="%s" stroke-width="1"/><polyline points="%s" fill="none" stroke="%s" stroke-width="1.8"/></svg>`,
		strings.Join(append(band, back...), " "), strings.Join(band, " "), colour, strings.Join(line, " "), colour)
	return b.String()
}

// bars draws uses against full capacity.
func (s *Summary) bars() string {
	type bar struct {
		name string
		use  float64
	}
	var all []bar
	all = append(all, bar{"host, " + s.line.Host.PerRecord.String() + " a record", s.HostUse})
	for _, r := range s.Radios {
		all = append(all, bar{fmt.Sprintf("receiver %s, %s", r.Name, gauges(r.Seats)), r.Use})
	}
	for _, p := range s.busiest(10) {
		all = append(all, bar{"port " + p.Name + ", " + p.Line, p.Use})
	}
	const w, row, text = 900.0, 20.0, 250.0
	var b strings.Builder
	full_ := w - text - 70
	fmt.Fprintf(&b, `<svg viewBox="0 0 %.0f %.0f" width="%.0f" role="img" aria-label="use of host, receivers and ports">`, w, float64(row*float64(len(all)))+8, w)
	for i, v := range all {
		y := row * float64(i)
		colour := "var(--blue)"
		if v.use >= full {
			colour = "var(--bad)"
		}
		fmt.Fprintf(&b, `<text x="0" y="%.1f">%s</text><rect x="%.0f" y="%.1f" width="%.1f" height="13" fill="var(--panel)"/><rect x="%.0f" y="%.1f" width="%.1f" height="13" fill="%s"/><text x="%.1f" y="%.1f">%.1f %%</text>`,
			y+14, html.EscapeString(v.name), text, y+3, full_, text, y+3, full_*math.Min(v.use, 1), colour, text+full_+6, y+14, 100*v.use)
	}
	x := text + float64(full_*full)
	fmt.Fprintf(&b, `<line x1="%.1f" y1="0" x2="%.1f" y2="%.1f" stroke="var(--ink)" stroke-dasharray="3 3"/></svg>`, x, x, float64(row*float64(len(all)))+4)
	return b.String()
}

// ErrNoBrowser is returned by PDF when no browser is there to print the page.
var ErrNoBrowser = errors.New("a PDF needs the program chromium to print the page; it is not installed (write the page with --html and print it from any browser)")

// PDF prints the page to a file with Chromium.
func (s *Summary) PDF(ctx context.Context, file string) (err error) {
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
	if err := errors.Join(s.HTML(f), f.Close()); err != nil {
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

// Again says over which shifts the changes were tried.
func (s *Summary) Again() string {
	n := min(tried, s.shifts)
	if n == 1 {
		return "The first shift again, with the same luck, and one thing changed."
	}
	return fmt.Sprintf("The first %d shifts again, with the same luck, and one thing changed; ± is one standard error.", n)
}

// busiest are the ports with the greatest use.
func (s *Summary) busiest(n int) []PortRow {
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

func (i Index) String() string { return fmt.Sprintf("%.2f (%.2f to %.2f)", i.Value, i.Low, i.High) }

// Text writes what matters as plain text.
func (s *Summary) Text(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n\n", s.Title)
	for _, words := range s.Words {
		fmt.Fprintf(&b, "%s\n", words)
	}
	if len(s.Risks) > 0 {
		b.WriteString("\nRisks, the greatest first:\n")
	}
	for _, r := range s.Risks {
		touches := ""
		if r.Touches > 0 {
			touches = fmt.Sprintf(" (%s a shift)", figure(r.Touches))
		}
		fmt.Fprintf(&b, "  %s%s\n    %s\n    what removes it: %s\n", r.What, touches, r.Why, r.Remove)
	}
	b.WriteString("\nThe shift in figures:\n")
	for _, f := range s.Totals {
		fmt.Fprintf(&b, "  %s: %s\n", f.Name, f.Text)
	}
	b.WriteString("\nFeatures, of the parts of a shift:\n")
	for _, f := range s.Features {
		fmt.Fprintf(&b, "  %s: %.0f parts, %s bad\n", f.Limits, f.Parts, figure(f.Bad*f.Parts))
		fmt.Fprintf(&b, "    bad and accepted %s in a million (counted %s), good and rejected %s (counted %s)\n", perMillion(f.FalseIn, math.NaN()), perMillion(f.CountIn, f.ErrorIn), perMillion(f.FalseOut, math.NaN()), perMillion(f.CountOut, f.ErrorOut))
		if c := f.Capability; c.N > 0 {
			fmt.Fprintf(&b, "    Cp %v, Cpk %v, Pp %v, Ppk %v\n", c.Cp, c.Cpk, c.Pp, c.Ppk)
		}
	}
	if len(s.Spells) > 0 {
		b.WriteString("\nLinks that were silent or lost, the worst first:\n")
	}
	told := 0
	for i, r := range s.Spells {
		if r.Gauge != "" && i > 0 && s.Spells[i-1].Station == r.Station { // one of a station that is told as a whole
			continue
		}
		if told++; told > 5 {
			b.WriteString("  and others; the page has all\n")
			break
		}
		fmt.Fprintf(&b, "  %s: silent %s times a shift", strings.TrimSpace(r.Station+" "+r.Gauge), figure(r.StallsAShift))
		if r.Stalls.N > 0 {
			fmt.Fprintf(&b, ", %s", spread(&r.Stalls))
		}
		fmt.Fprintf(&b, "; lost %s times", figure(r.LostAShift()))
		if r.Away.N > 0 {
			fmt.Fprintf(&b, ", back after: %s", spread(&r.Away))
		}
		if r.GoneAShift > 0 {
			fmt.Fprintf(&b, ", %s until the shift's end", figure(r.GoneAShift))
		}
		b.WriteString("\n")
	}
	b.WriteString("\nThe busiest ports:\n")
	for _, p := range s.busiest(5) {
		fmt.Fprintf(&b, "  %s, %s: used to %.0f %%, a frame waits %v on average (%v if all came at random), %v at worst\n", p.Name, p.Line, 100*p.Use, short(p.Wait.Mean()), short(p.Random), short(p.Wait.Most))
	}
	fmt.Fprintf(&b, "\nWhat if: %s\n", s.Again())
	for _, c := range s.Changes {
		lost := figure(c.Lost)
		if c.Lost > 0 && !math.IsNaN(c.LostError) {
			lost = withError(c.Lost, c.LostError)
		}
		fmt.Fprintf(&b, "  %-40s margin %5.1f dB, lost %s, flat %s, emptiest %3.0f %%\n", c.Name, c.Margin, lost, figure(c.Skipped), c.End)
	}
	fmt.Fprintf(&b, "\n%s\n%s\n", s.Chance, s.Simulated)
	_, err := io.WriteString(w, b.String())
	return err
}
