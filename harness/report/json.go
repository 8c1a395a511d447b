package report

import (
	_ "embed"
	"encoding/hex"
	"encoding/json"
	"io"
	"time"

	"example.org/understudy/harness/judge"
)

// Version of the JSON report's form.
const Version = 1

//go:embed report.schema.json
var schema []byte

// Schema is the JSON Schema (2020-12) of the JSON report.
func Schema() []byte { return append([]byte(nil), schema...) }

type jsonReport struct {
	Version   int    `json:"understudy-report"`
	Simulated string `json:"simulated"`
	Verdict   string `json:"verdict"`
	// Diagnoses are of all runs of a host.
	Diagnoses []jsonDiagnosis `json:"diagnoses,omitempty"`
	Runs      []jsonRun       `json:"runs"`
}

type jsonDiagnosis struct {
	Host     string     `json:"host"`
	Named    []jsonName `json:"named"`
	Or       []string   `json:"or,omitempty"`
	Dialect  string     `json:"dialect,omitempty"`
	Alone    []jsonName `json:"alone,omitempty"`
	Findings int        `json:"findings"`
	Failing  int        `json:"failing"`
	Passing  int        `json:"passing"`
	LeftOut  int        `json:"left-out,omitempty"`
}

type jsonName struct {
	Code     string `json:"code,omitempty"`
	Name     string `json:"name,omitempty"`
	Text     string `json:"text"`
	Fix      string `json:"fix,omitempty"`
	Findings int    `json:"findings,omitempty"`
	Runs     int    `json:"runs"`
	Against  string `json:"contradicted-by,omitempty"`
}

func nameJSON(c judge.Candidate, findings, runs int, against string) jsonName {
	return jsonName{c.Cause.Code, c.Cause.Name, c.Text, c.Cause.Fix, findings, runs, against}
}

func diagnosisJSON(r *Run) jsonDiagnosis {
	d := r.Diagnosis
	j := jsonDiagnosis{Host: r.Host, Named: []jsonName{}, Dialect: d.Dialect, Findings: d.Findings, Failing: d.Failing, Passing: d.Passing, LeftOut: r.Unasked}
	for _, n := range d.Named {
		j.Named = append(j.Named, nameJSON(n.Candidate, n.Findings, n.Runs, ""))
	}
	for _, o := range d.Or {
		j.Or = append(j.Or, candidateText(o))
	}
	for _, a := range d.Alone {
		j.Alone = append(j.Alone, nameJSON(a.Candidate, 0, a.Runs, a.Against))
	}
	return j
}

type jsonRun struct {
	Name        string          `json:"name"`
	Title       string          `json:"title,omitempty"`
	Host        string          `json:"host"`
	Seed        uint64          `json:"seed"`
	Pace        string          `json:"pace,omitempty"`
	Started     *time.Time      `json:"started,omitempty"`
	TookMS      int64           `json:"took-ms"`
	Verdict     string          `json:"verdict"`
	Reasons     []string        `json:"reasons,omitempty"`
	Causes      []jsonCause     `json:"causes"`
	Patterns    []judge.Pattern `json:"patterns,omitempty"`
	Findings    []jsonFinding   `json:"findings"`
	Unexplained int             `json:"unexplained"`
	Searched    string          `json:"searched,omitempty"`
	NotJudged   []string        `json:"not-judged,omitempty"`
	Coverage    *jsonCovers     `json:"coverage,omitempty"`
	Counts      jsonCounts      `json:"counts"`
	HostEnd     string          `json:"host-end,omitempty"`
	Notes       []string        `json:"notes,omitempty"`
}

type jsonCause struct {
	Code     string      `json:"code"`
	Name     string      `json:"name"`
	Looks    string      `json:"looks"`
	Why      string      `json:"why"`
	Fix      string      `json:"fix"`
	Explains int         `json:"explains"`
	Left     int         `json:"left,omitempty"`
	Rivals   []jsonRival `json:"rivals,omitempty"`
	Or       []string    `json:"or,omitempty"`
}

type jsonRival struct {
	Name string `json:"name"`
	Same bool   `json:"is-equal,omitempty"`
}

type jsonCovers struct {
	Shown   []string `json:"shown"`
	Unshown []string `json:"not-shown"`
	Lacks   []string `json:"lacks,omitempty"`
	Frames  int      `json:"frames,omitempty"`
}

type jsonFinding struct {
	Kind     string   `json:"kind"`
	Gauge    string   `json:"gauge,omitempty"`
	Channel  string   `json:"channel,omitempty"`
	AtNS     int64    `json:"at-ns"`
	Frame    int      `json:"frame,omitempty"`
	Bytes    string   `json:"bytes,omitempty"`
	Expected string   `json:"expected"`
	Got      string   `json:"got"`
	Rule     string   `json:"rule,omitempty"`
	Cause    string   `json:"cause,omitempty"`
	Pattern  int      `json:"pattern,omitempty"`
	Row      *jsonRow `json:"row,omitempty"`
}

type jsonRow struct {
	Number  int    `json:"number"`
	Raw     string `json:"raw"`
	Problem string `json:"problem,omitempty"`
}

type jsonCounts struct {
	Frames   int `json:"frames"`
	Spoilt   int `json:"corrupted"`
	Perhaps  int `json:"perhaps"`
	Unheard  int `json:"unheard"`
	Expected int `json:"expected"`
	Records  int `json:"records"`
	Paired   int `json:"paired"`
	Findings int `json:"findings"`
}

// JSON writes the runs in the form that Schema describes.
func JSON(w io.Writer, runs []Run) error {
	out := jsonReport{Version: Version, Simulated: Simulated, Verdict: Verdict(runs).String(), Runs: []jsonRun{}}
	for _, r := range diagnoses(runs) {
		out.Diagnoses = append(out.Diagnoses, diagnosisJSON(r))
	}
	for i := range runs {
		out.Runs = append(out.Runs, toJSON(&runs[i]))
	}
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", " ")
	return enc.Encode(out)
}

func toJSON(r *Run) jsonRun {
	res := &r.Result
	c := &res.Counts
	j := jsonRun{
		Name: r.Name, Title: r.Title, Host: r.Host, Seed: r.Seed, Pace: r.Pace, TookMS: r.Took.Milliseconds(),
		Verdict: res.Verdict.String(), Reasons: res.Reasons, Causes: []jsonCause{}, Findings: []jsonFinding{},
		Unexplained: res.Unexplained, Searched: res.Searched, NotJudged: res.NotJudged, Patterns: res.Patterns, HostEnd: r.HostEnd, Notes: r.Notes,
		Counts: jsonCounts{c.Frames, c.Spoilt, c.Perhaps, c.Unheard, c.Expected, c.Records, c.Paired, c.Findings},
	}
	if !r.Started.IsZero() {
		t := r.Started.UTC()
		j.Started = &t
	}
	for _, e := range res.Explanations {
		own := jsonCause{e.Cause.Code, e.Cause.Name, e.Cause.Looks, e.Cause.Why, e.Cause.Fix, e.Explains, e.Left, nil, e.Or}
		for _, r := range e.Rivals {
			own.Rivals = append(own.Rivals, jsonRival(r))
		}
		j.Causes = append(j.Causes, own)
	}
	if v := res.Coverage; v != nil {
		j.Coverage = &jsonCovers{append([]string{}, v.Shown...), append([]string{}, v.Unshown...), v.Lacks, v.Frames}
	}
	for i := range res.Findings {
		j.Findings = append(j.Findings, findingJSON(&res.Findings[i]))
	}
	return j
}

func findingJSON(f *judge.Finding) jsonFinding {
	j := jsonFinding{Kind: string(f.Kind), Gauge: f.Gauge, Channel: f.Channel, AtNS: int64(f.At), Frame: f.Frame,
		Bytes: hex.EncodeToString(f.Bytes), Expected: f.Expected, Got: f.Got, Rule: f.Rule, Cause: f.Cause, Pattern: f.Pattern}
	if f.Record != nil {
		j.Row = &jsonRow{f.Record.Row, f.Record.Raw, f.Record.Problem}
	}
	return j
}
