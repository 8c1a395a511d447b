package hostfile

import (
	"maps"
	"slices"
	"strings"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/enum"
	"example.org/understudy/sim/strict"
)

// Statistics are what a host may write of the tagged readings of a channel, as event
// words: how many they are, their mean, standard deviation and range, the capability and
// performance of the process, and the R&R share and distinct categories of a study.
var Statistics = []string{"count", "mean", "s", "range", "Cp", "Cpk", "Pp", "Ppk", "%R&R", "ndc"}

// Summary says that the host's records have rows with statistics, and by what rules it
// works them out.
type Summary struct {
	Rules
	Records *Records          `yaml:"records" doc:"where they are, as under records (default: among the records, each a row whose event is the statistic)"`
	Columns map[string]Column `yaml:"statistics" doc:"of records of their own: the column of each statistic, where a row has several, such as {mean: Average, s: Sigma}"`
}

// Rules say how a host works out its statistics. They have the same words in a job.
type Rules struct {
	Of          Of              `yaml:"of" json:"of" doc:"values that a summary is of: recorded (as displayed) or received (default: recorded)"`
	Subgroup    int             `yaml:"subgroup" json:"subgroup" doc:"readings in a subgroup, in the order of the tags, for Cp and Cpk; those after the last whole subgroup are left out (default: 5)"`
	Within      Within          `yaml:"within" json:"within" doc:"spread within subgroups: pooled (root of the mean of their variances) or mean-range (mean range over d2) (default: pooled)"`
	Interaction Interaction     `yaml:"interaction" json:"interaction" doc:"of operators and parts, in %R&R and ndc by analysis of variance: pooled with the equipment's variation, or kept by itself (default: pooled)"`
	ShareOf     ShareOf         `yaml:"share-of" json:"share-of" doc:"what %R&R is a share of: study-variation or tolerance (default: study-variation)"`
	Deviations  decimal.Decimal `yaml:"study-variation" json:"study-variation" doc:"standard deviations to a study variation (default: 6)"`
}

// The choices of Rules; the first of each is the default.
type (
	Of          = enum.Of[of]
	Within      = enum.Of[within]
	Interaction = enum.Of[interaction]
	ShareOf     = enum.Of[shareOf]

	of          struct{}
	within      struct{}
	interaction struct{}
	shareOf     struct{}
)

// What is not the default.
const (
	Received    Of          = 1
	MeanRange   Within      = 1
	Kept        Interaction = 1
	OfTolerance ShareOf     = 1
)

func (of) Names() []string          { return []string{"recorded", "received"} }
func (of) What() string             { return "the values of a summary" }
func (within) Names() []string      { return []string{"pooled", "mean-range"} }
func (within) What() string         { return "a spread within subgroups" }
func (interaction) Names() []string { return []string{"pooled", "kept"} }
func (interaction) What() string    { return "a way with the interaction" }
func (shareOf) Names() []string     { return []string{"study-variation", "tolerance"} }
func (shareOf) What() string        { return "a whole that R&R is a share of" }

// mostSubgroup is the largest subgroup whose mean range is taken: tables of d2 end there.
const mostSubgroup = 10

func (s *Summary) check(doc *strict.Doc, h *Host) {
	if doc.Has(&s.Subgroup) && (s.Subgroup < 2 || s.Subgroup > 1000) {
		doc.Errorf(&s.Subgroup, "write 2 to 1000", "a subgroup of %d has no spread", s.Subgroup)
	}
	if s.Within == MeanRange && s.Subgroup > mostSubgroup {
		doc.Errorf(&s.Subgroup, "write 2 to 10, or within: pooled", "the mean range of subgroups of %d is not used", s.Subgroup)
	}
	if doc.Has(&s.Deviations) && s.Deviations.Sign() <= 0 {
		doc.Errorf(&s.Deviations, "write 6 or 5.15", "a study variation of %s standard deviations is none", s.Deviations)
	}
	if s.Records == nil && len(s.Columns) > 0 {
		doc.Errorf(&s.Columns, "write records: beside it", "a column for each statistic needs records of their own")
	}
	if s.Records == nil {
		return
	}
	for _, name := range sortedKeys(s.Columns) {
		s.Records.Columns.Value = s.Columns[name] // any: Parts takes each in its turn
	}
	s.Records.check(doc, h)
	for _, name := range sortedKeys(s.Columns) {
		if !slices.Contains(Statistics, name) {
			doc.Errorf(&s.Columns, "write one of "+strings.Join(Statistics, ", "), "%q is not a statistic", name)
		}
	}
	if s.Records.Form == HTTP || s.Records.Form == SQL {
		doc.Errorf(&s.Records.Form, "write csv, json-lines, sqlite or xlsx", "summaries of their own are not read by %s", s.Records.Form)
	}
	if s.Records.File == "" {
		doc.Errorf(s.Records, "write file: \"{run}/summary.csv\", for example", "nothing says where the summaries are")
	}
}

func (s *Summary) fill() {
	or(&s.Subgroup, 5)
	if s.Deviations.IsZero() {
		s.Deviations = decimal.New(6, 0)
	}
	if s.Records != nil {
		s.Records.Fill()
		s.Records.Statistics = true
	}
}

// Parts are the descriptions by which the summaries of their own are read, one for each
// column of a statistic.
func (s *Summary) Parts() (out []Records) {
	if len(s.Columns) == 0 {
		return []Records{*s.Records}
	}
	for _, name := range slices.Sorted(maps.Keys(s.Columns)) {
		one := *s.Records
		one.Columns.Value, one.Columns.Event = s.Columns[name], Column{Always: name}
		out = append(out, one)
	}
	return out
}
