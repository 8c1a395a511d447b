package report

import (
	_ "embed"
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
	Name        string              `json:"name"`
	Title       string              `json:"title,omitempty"`
	Host        string              `json:"host"`
	Seed        uint64              `json:"seed"`
	Pace        string              `json:"pace,omitempty"`
	Started     *time.Time          `json:"started,omitempty"`
	TookMS      int64               `json:"took-ms"`
	Verdict     string              `json:"verdict"`
	Reasons     []string            `json:"reasons,omitempty"`
	Causes      []judge.Explanation `json:"causes"`
	Patterns    []judge.Pattern     `json:"patterns,omitempty"`
	Findings    []jsonFinding       `json:"findings"`
	Unexplained int                 `json:"unexplained"`
	Searched    string              `json:"searched,omitempty"`
	NotJudged   []string            `json:"not-judged,omitempty"`
	Coverage    *judge.Coverage     `json:"coverage,omitempty"`
	Counts      judge.Counts        `json:"counts"`
	HostEnd     string              `json:"host-end,omitempty"`
	Notes       []string            `json:"notes,omitempty"`
}

// jsonFinding is a finding with the row that the host has written.
type jsonFinding struct {
	judge.Finding
	Row *jsonRow `json:"row,omitempty"`
}

type jsonRow struct {
	Number  int    `json:"number"`
	Raw     string `json:"raw"`
	Problem string `json:"problem,omitempty"`
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
	j := jsonRun{
		Name: r.Name, Title: r.Title, Host: r.Host, Seed: r.Seed, Pace: r.Pace, TookMS: r.Took.Milliseconds(),
		Verdict: res.Verdict.String(), Reasons: res.Reasons, Causes: append([]judge.Explanation{}, res.Explanations...), Findings: []jsonFinding{},
		Unexplained: res.Unexplained, Searched: res.Searched, NotJudged: res.NotJudged, Patterns: res.Patterns, HostEnd: r.HostEnd, Notes: r.Notes, Counts: res.Counts,
	}
	if !r.Started.IsZero() {
		t := r.Started.UTC()
		j.Started = &t
	}
	if v := res.Coverage; v != nil {
		j.Coverage = &judge.Coverage{Shown: append([]string{}, v.Shown...), Unshown: append([]string{}, v.Unshown...), Lacks: v.Lacks, Frames: v.Frames}
	}
	for _, f := range res.Findings {
		of := jsonFinding{Finding: f}
		if f.Record != nil {
			of.Row = &jsonRow{f.Record.Row, f.Record.Raw, f.Record.Problem}
		}
		j.Findings = append(j.Findings, of)
	}
	return j
}
