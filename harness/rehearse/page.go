package rehearse

import (
	"context"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"example.org/understudy/harness/show"
)

//go:embed page.tmpl
var pageText string

var pageTemplate = template.Must(template.New("page").Funcs(template.FuncMap{
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

// HTML writes the report as one page that stands alone.
func (s *Summary) HTML(w io.Writer) error {
	page := struct {
		*Summary
		Plan, Bars template.HTML
		Cells      []template.HTML
	}{s, s.plan(), s.bars(), nil}
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

func (i Index) String() string {
	if math.IsInf(i.Value, 0) {
		return "–"
	}
	return fmt.Sprintf("%.2f (%.2f to %.2f)", i.Value, i.Low, i.High)
}

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
			c = f.Shown
			fmt.Fprintf(&b, "    the host shows Cp %v, Cpk %v, Pp %v, Ppk %v\n", c.Cp, c.Cpk, c.Pp, c.Ppk)
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
		holds := "holds"
		if !c.Holds {
			holds = "does not hold"
		}
		fmt.Fprintf(&b, "  %-40s %s: margin %5s dB, lost %s, flat %s, emptiest %3.0f %%", c.Name, holds, decibels(c.Margin), lost, figure(c.Skipped), c.End)
		if len(c.Full) > 0 {
			fmt.Fprintf(&b, "; over 100 %%: %s", strings.Join(c.Full, ", "))
		}
		b.WriteByte('\n')
	}
	fmt.Fprintf(&b, "\n%s\n%s\n", s.Chance, s.Simulated)
	_, err := io.WriteString(w, b.String())
	return err
}
