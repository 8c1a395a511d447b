package records_test

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"strings"
	"testing"
	"time"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/records"
	"example.org/understudy/sim/decimal"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
	"pgregory.net/rapid"
)

func describe(t testing.TB, text string) hostfile.Records {
	t.Helper()
	h, err := hostfile.Parse("h.yaml", []byte("understudy-host: 1\nrun: [h]\nrecords:\n"+text))
	require.NoError(t, err)
	return h.Records
}

// show writes a record in one line, for tables.
func show(r records.Record) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d %s", r.Row, r.Kind)
	if r.HasTime {
		b.WriteString(" at " + r.Time.UTC().Format(time.RFC3339Nano))
	}
	if r.Gauge+r.Channel != "" {
		b.WriteString(" " + r.Gauge + "/" + r.Channel)
	}
	if r.Tag != nil {
		fmt.Fprintf(&b, " tag %d", *r.Tag)
	}
	if r.Value != nil {
		b.WriteString(" value " + r.Value.String())
	}
	if r.Unit != "" {
		b.WriteString(" " + r.Unit)
	}
	if r.Zone != "" {
		b.WriteString(" " + r.Zone)
	}
	if r.Problem != "" {
		b.WriteString(" ! " + r.Problem)
	}
	return b.String()
}

func showAll(rs []records.Record) []string {
	out := []string{}
	for _, r := range rs {
		out = append(out, show(r))
	}
	return out
}

const german = `  form: csv
  separator: semicolon
  decimal-mark: comma
  encoding: windows-1252
  time: {form: "DD.MM.YYYY hh:mm:ss,f", zone: Europe/Berlin}
  columns: {time: Zeit, gauge: {always: bore-1}, tag: Nr, value: Messgröße, unit: Einheit, zone: Urteil, event: Art}
  zones: {IO: inside, NIO+: above, kein: void}
  events: {M: reading, Batterie: low-cell, Kommentar: ignored}
  units: {Zoll: in}
  void: ["---"]
`

// Kind: property.
func TestReadsForms(t *testing.T) {
	t.Parallel()
	encode := func(s string, with interface{ String(string) (string, error) }) string {
		out, err := with.String(s)
		require.NoError(t, err)
		return out
	}
	ours := "time,gauge,channel,tag,value,unit,zone,event\n2026-01-31T07:30:00.125Z,bore-1,A,7,8.0150,mm,inside,reading\n"
	oursRead := []string{"2 reading at 2026-01-31T07:30:00.125Z bore-1/A tag 7 value 8.0150 mm inside"}
	for name, c := range map[string]struct {
		d, src string
		want   []string
	}{
		"our own form":     {"  form: csv", ours, oursRead},
		"byte order mark":  {"  form: csv", "\ufeff" + ours, oursRead},
		"carriage returns": {"  form: csv", strings.ReplaceAll(ours, "\n", "\r\n"), oursRead},
		"no last line end": {"  form: csv", strings.TrimSuffix(ours, "\n"), oursRead},
		"utf-16 with mark": {"  {form: csv, encoding: utf-16}", encode(ours, unicode.UTF16(unicode.BigEndian, unicode.UseBOM).NewEncoder()), oursRead},
		"utf-16 bare":      {"  {form: csv, encoding: utf-16}", encode(ours, unicode.UTF16(unicode.LittleEndian, unicode.IgnoreBOM).NewEncoder()), oursRead},
		"latin-1":          {"  {form: csv, encoding: latin-1, columns: {value: Maß}, void: [\"µ\"]}", "Ma\xdf\n8.01\n\xb5\n", []string{"2 reading value 8.01", "3 reading void"}},
		"statistics": {"  {form: csv, events: {GRR: \"%R&R\"}}\nsummary: {}", "gauge,value,unit,event\nb,8.01,mm,MEAN\nb,27.9 %,,GRR\nb,1.33,,cpk\n",
			[]string{"2 mean b/ value 8.01 mm", "3 %R&R b/ value 27.9", "4 Cpk b/ value 1.33"}},
		"statistics that nobody claims": {"  form: csv", "value,event\n8.01,mean\n",
			[]string{`2 mean value 8.01 ! the event word "mean" is not in the host description's events`}},
		"events": {"  form: csv", "time,gauge,channel,tag,value,unit,zone,event\n,bore-1,A,,,,,low-cell\n,bore-1,,,,,,LINK-LOST\n,bore-1,A,3,,,void,reading\n",
			[]string{"2 low-cell bore-1/A", "3 link-lost bore-1/", "4 reading bore-1/A tag 3 void"}},
		"german": {german, encode("Zeit;Nr;Messgröße;Einheit;Urteil;Art\n31.07.2026 09:30:00,25;0012;8,015;mm;IO;M\n31.07.2026 09:30:01;13;\"8,02\";Zoll;nio+;M\n31.07.2026 09:30:02;14;---;mm;kein;M\n;;;;;Batterie\n;;bla;;;Kommentar\n", charmap.Windows1252.NewEncoder()),
			[]string{"2 reading at 2026-07-31T07:30:00.25Z bore-1/ tag 12 value 8.015 mm inside", "3 reading at 2026-07-31T07:30:01Z bore-1/ tag 13 value 8.02 in above",
				"4 reading at 2026-07-31T07:30:02Z bore-1/ tag 14 mm void", "5 low-cell bore-1/"}},
		"tabs, no header":           {"  {form: csv, separator: tab, no-header: true, columns: {value: 2, tag: 1, zone: 9}}", "1\t8.01\n2\t-0.003 mm\n", []string{"1 reading tag 1 value 8.01", "2 reading tag 2 value -0.003 mm"}},
		"date and time apart":       {"  {form: csv, columns: {time: [Date, Time], value: v}}", "Time,v,Date\n07:30:00,1.5,2026-01-31\n", []string{"2 reading at 2026-01-31T07:30:00Z value 1.5"}},
		"date and time apart, json": {"  {form: json-lines, columns: {time: [at.d, at.t], value: v}}", `{"at":{"d":"2026-01-31","t":"07:30:00"},"v":1.5}`, []string{"1 reading at 2026-01-31T07:30:00Z value 1.5"}},
		"lines before":              {"  {form: csv, skip-lines: 2}", "Report \"A\nof today\nvalue,zone\n1.5,inside\n", []string{"4 reading value 1.5 inside"}},
		"other output":              {"  {form: csv, only-lines: \"^(value|REC),\", columns: {value: n}}", "ready\nvalue,n\nstarting\nREC,1.5\nbye\n", []string{"4 reading value 1.5"}},
		"header again":              {"  form: csv", "value,zone\n1.5,inside\nvalue,zone\n1.6,inside\n", []string{"2 reading value 1.5 inside", "4 reading value 1.6 inside"}},
		"empty lines":               {"  form: csv", "value,zone\n\n1.5,inside\n,\n  \n1.6,inside\n", []string{"3 reading value 1.5 inside", "6 reading value 1.6 inside"}},
		"quoted":                    {"  form: csv", "value,zone,note\n\"1.5\",\"inside\",\"say \"\"hi\"\",\nthen go\"\n1.6,inside,x\n", []string{"2 reading value 1.5 inside", "4 reading value 1.6 inside"}},
		"json lines": {"  {form: json-lines, columns: {value: data.v, tag: n, zone: verdict, unit: {always: in}}}", `{"n":7,"data":{"v":8.0150},"verdict":"inside"}` + "\n" + `{"n":8,"data":{"v":"-0.5"},"verdict":null}` + "\n",
			[]string{"1 reading tag 7 value 8.0150 in inside", "2 reading tag 8 value -0.5 in"}},
		"json lines among other output": {"  {form: json-lines, file: \"{output}\"}", "ready\n{\"value\":1e-3,\"zone\":\"inside\"}\nbye\n", []string{"2 reading value 0.001 inside"}},
		"json, dotted key":              {"  {form: json-lines, columns: {value: a.b}}", `{"a.b":1}`, []string{"1 reading value 1"}},
		"minus of typesetting":          {"  form: csv", "value,zone\n\u22120.5\u00a0mm,inside\n", []string{"2 reading value -0.5 mm inside"}},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := records.Parse(describe(t, c.d), strings.NewReader(c.src))
			require.NoError(t, err)
			if d := cmp.Diff(c.want, showAll(got)); d != "" {
				t.Error(d)
			}
		})
	}
}

// Kind: property.
func TestMistakesAreKept(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		d, src string
		want   []string
	}{
		"words": {"  form: csv", "tag,value,unit,zone,event\nx,abc,furlong,fine,ping\n",
			[]string{`2 ping furlong fine ! the event word "ping" is not in the host description's events; the tag number "x" is not a whole number; the value "abc" is not a number; the unit word "furlong" is not in the host description's units; the verdict word "fine" is not in the host description's zones`}},
		"decimal comma":      {"  {form: csv, separator: semicolon}", "value;zone\n8,015;inside\n", []string{`2 reading inside ! the value "8,015" is not a number; is its decimal mark a comma?`}},
		"decimal point":      {"  {form: csv, separator: semicolon, decimal-mark: comma}", "value;zone\n8.015;inside\n", []string{`2 reading inside ! the value "8.015" has a point, and the decimal mark is ','`}},
		"not a number":       {"  form: csv", "value,zone\nNaN,inside\nInf,inside\n", []string{`2 reading inside ! the value "NaN" is not a number`, `3 reading inside ! the value "Inf" is not a number`}},
		"cut off":            {"  form: csv", "tag,value,zone\n1,8.015,inside\n2,8.0", []string{"2 reading tag 1 value 8.015 inside", "3 reading tag 2 value 8.0 ! the row is cut off after 2 of 3 fields"}},
		"cut off early":      {"  form: csv", "gauge,tag,value,zone\nbore-1,1,8.015,inside\nbore", []string{"2 reading bore-1/ tag 1 value 8.015 inside", "3  bore/ ! the row is cut off after 1 of 4 fields"}},
		"two rows in one":    {"  form: csv", "tag,value,zone\n1,8.015,inside\n2,82,8.016,inside\n", []string{"2 reading tag 1 value 8.015 inside", `3 reading tag 2 value 82 8.016 ! the row has 4 fields, the header 3; the verdict word "8.016" is not in the host description's zones`}},
		"and more of both":   {"  form: csv", "tag,value,zone\n1,8.015,i2,8.016,inside\n", []string{`2 reading tag 1 value 8.015 i2 ! the row has 5 fields, the header 3: another row may have been written on behind it; the verdict word "i2" is not in the host description's zones`}},
		"another row behind": {"  form: csv", "tag,value,zone,event\n1,8.015,inside,reading\n2,8.01,3,8.016,inside,reading\n4,8,015,inside,reading\n", []string{"2 reading tag 1 value 8.015 inside", "3  ! the row has 6 fields, the header 4: another row may have been written on behind it", "4  ! the row has 5 fields, the header 4"}},
		"fields":             {"  form: csv", "tag,value,zone\n1,8,015,inside\n", []string{`2 reading tag 1 value 8 015 ! the row has 4 fields, the header 3; the verdict word "015" is not in the host description's zones`}},
		"time":               {"  form: csv", "time,value,zone\nnoon,1,inside\n", []string{`2 reading value 1 inside ! "noon" is not a time of the form iso (such as 2026-01-31T07:30:00.125Z)`}},
		"encoding":           {"  form: csv", "value,zone\n8\xb5,inside\n", []string{"2 reading inside ! it has bytes that are not UTF-8; is the encoding another?; the value \"8\\xb5\" is not a number"}},
		"stray quotation":    {"  form: csv", "value,zone\n\"8.01,inside\n8.02,inside\n8.03,inside\n", []string{`2 reading inside ! the value "\"8.01" is not a number`, "3 reading value 8.02 inside", "4 reading value 8.03 inside"}},
		"json damaged":       {"  form: json-lines", "{\"value\":1\n[1]\n{\"value\":2} x\n{\"value\":3}\n{\"val", []string{"1  ! the line is not JSON (unexpected EOF)", "2  ! the line is JSON, but not an object", "3  ! the line is not JSON (more stands behind it)", "4 reading value 3", "5  ! the line is cut off"}},
		"json, wrong kind":   {"  form: json-lines", `{"value":[1,2],"zone":true}`, []string{`1 reading true ! the value "[1,2]" is not a number; the verdict word "true" is not in the host description's zones`}},
		"tag beyond an int":  {"  form: csv", "tag,value\n99999999999999999999,1\n", []string{`2 reading value 1 ! the tag number "99999999999999999999" is not a whole number`}},
		"tag of a worksheet": {"  form: csv", "tag,value\n7.0,1\n7.5,1\n", []string{"2 reading tag 7 value 1", `3 reading value 1 ! the tag number "7.5" is not a whole number`}},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := records.Parse(describe(t, c.d), strings.NewReader(c.src))
			require.NoError(t, err)
			if d := cmp.Diff(c.want, showAll(got)); d != "" {
				t.Error(d)
			}
			for _, r := range got {
				require.NotEmpty(t, r.Raw)
			}
		})
	}
}

// Kind: property.
func TestDescriptionThatDoesNotFit(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ d, src, want string }{
		{"  {form: csv, columns: {value: v}}", "a,b\n1,2\n", `the records have no column "v" for value; their columns are a, b`},
		{"  {form: csv, columns: {value: 3}}", "a,b\n1,2\n", `the records have 2 columns; the host description gives value as column 3`},
		{"  form: csv", "a,b\n1,2\n", `the records have neither a column for value nor for zone; their columns are a, b`},
		{"  form: csv", "\xff\xfev\x00\n\x00", `the records begin with the byte order mark of UTF-16; write encoding: utf-16 in the host description`},
	} {
		_, err := records.Parse(describe(t, c.d), strings.NewReader(c.src))
		require.EqualError(t, err, c.want)
	}
}

// Kind: property.
func TestEndlessLineIsOneRecord(t *testing.T) {
	t.Parallel()
	src := "value,zone\n1," + strings.Repeat("x", 3<<20) + "\n2,inside\n\"" + strings.Repeat("y\n", 300) + "3,inside\n" + "4," + strings.Repeat("z", 1<<20)
	got, err := records.Parse(describe(t, "  form: csv"), strings.NewReader(src))
	require.NoError(t, err)
	require.Len(t, got, 304)
	require.Contains(t, got[0].Problem, "the line is longer than 262144 bytes")
	require.Equal(t, "3 reading value 2 inside", show(got[1]))
	require.Equal(t, "304 reading value 3 inside", show(got[302]))
	require.Contains(t, got[303].Problem, "the line is longer than 262144 bytes")
}

// The file may arrive in any portions.
//
// Kind: property.
func TestPortionsDoNotMatter(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		alphabet := rapid.SampledFrom([]string{"1", "8.015", ",", ",", "\"", "\"\"", "\n", "\r\n", "in", "ä", "\xff", "{", "}", `"value":`})
		src := strings.Join(rapid.SliceOfN(alphabet, 0, 60).Draw(t, "text"), "")
		d := hostfile.Records{Form: rapid.SampledFrom([]hostfile.Form{hostfile.CSV, hostfile.JSONLines}).Draw(t, "form")}
		if d.Form == hostfile.CSV {
			src = "value,zone\n" + src
		}
		whole, _ := records.Parse(d, strings.NewReader(src))
		p := records.NewParser(d)
		var got []records.Record
		for rest := src; rest != ""; {
			n := rapid.IntRange(1, len(rest)).Draw(t, "portion")
			rs, _ := p.Feed([]byte(rest[:n]))
			got = append(got, rs...)
			rest = rest[n:]
		}
		rs, _ := p.End()
		got = append(got, rs...)
		if d := cmp.Diff(showAll(whole), showAll(got)); d != "" {
			t.Fatal(d)
		}
	})
}

// encoding/csv is the reference: what it writes is read back as it was.
//
// Kind: model.
func TestReadsWhatTheStandardLibraryWrites(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		sep := rapid.SampledFrom([]rune{',', ';', '\t', '|'}).Draw(t, "separator")
		field := rapid.StringOfN(rapid.SampledFrom([]rune{'a', 'ä', ' ', '"', ',', ';', '\t', '\n', '|'}), 0, 8, -1)
		var buf bytes.Buffer
		w := csv.NewWriter(&buf)
		w.Comma = sep
		_ = w.Write([]string{"gauge", "value", "channel"})
		var want [][2]string
		for range rapid.IntRange(0, 5).Draw(t, "rows") {
			a, b := field.Draw(t, "a"), field.Draw(t, "b")
			want = append(want, [2]string{strings.TrimSpace(a), strings.TrimSpace(b)})
			_ = w.Write([]string{a, "1", b})
		}
		w.Flush()
		got, err := records.Parse(hostfile.Records{Form: hostfile.CSV, Separator: hostfile.Mark(sep)}, &buf)
		if err != nil {
			t.Fatal(err)
		}
		var have [][2]string
		for _, r := range got {
			if r.Problem != "" {
				t.Fatal(r.Problem)
			}
			have = append(have, [2]string{r.Gauge, r.Channel})
		}
		if d := cmp.Diff(want, have); d != "" {
			t.Fatal(d)
		}
	})
}

// Kind: property.
func TestEveryRowLeavesARecord(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 20).Draw(t, "n")
		src := "value,zone\n"
		for i := range n {
			src += rapid.SampledFrom([]string{"1,inside", "x,y", "1", "1,2,3", "a\"b,\"c", "\x00,\x01", "\xff,inside"}).Draw(t, fmt.Sprint(i)) + "\n"
		}
		got, err := records.Parse(hostfile.Records{Form: hostfile.CSV}, strings.NewReader(src))
		if err != nil || len(got) != n {
			t.Fatalf("%d records of %d rows (%v)", len(got), n, err)
		}
	})
}

// Kind: property.
func FuzzParse(f *testing.F) {
	f.Add([]byte("time,gauge,channel,tag,value,unit,zone,event\n2026-01-31T07:30:00.125Z,bore-1,A,7,8.0150,mm,inside,reading\n"), uint8(0))
	f.Add([]byte(`{"value":8.015,"zone":"inside"}`), uint8(1))
	f.Add([]byte("\xff\xfev\x00a\x00"), uint8(2))
	f.Add([]byte("value\n\"1"), uint8(3))
	f.Fuzz(func(t *testing.T, src []byte, how uint8) {
		d := hostfile.Records{Form: hostfile.CSV, Encoding: hostfile.Encoding(hostfile.Encoding("").Names()[int(how>>1)%6])}
		if how&1 == 1 {
			d.Form = hostfile.JSONLines
		}
		got, _ := records.Parse(d, bytes.NewReader(src))
		for _, r := range got {
			if r.Row < 1 || r.Kind == "" && r.Problem == "" {
				t.Errorf("%+v", r)
			}
			if r.Value != nil && r.Kind == "reading" && r.Text == "" {
				t.Errorf("a value out of nothing: %+v", r)
			}
		}
	})
}

func BenchmarkParseCSV(b *testing.B) {
	var buf bytes.Buffer
	buf.WriteString("time,gauge,channel,tag,value,unit,zone,event\n")
	for i := range 10000 {
		fmt.Fprintf(&buf, "2026-01-31T07:30:00.%09dZ,bore-1,A,%d,%s,mm,inside,reading\n", i*1000, i%9999+1, decimal.New(int64(8000+i%30), -3))
	}
	src := buf.Bytes()
	run := func(b *testing.B, f func()) {
		b.SetBytes(int64(len(src)))
		for b.Loop() {
			f()
		}
	}
	b.Run("records", func(b *testing.B) {
		run(b, func() { _, _ = records.Parse(hostfile.Records{Form: hostfile.CSV}, bytes.NewReader(src)) })
	})
	b.Run("baseline-encoding-csv", func(b *testing.B) {
		run(b, func() { _, _ = csv.NewReader(bytes.NewReader(src)).ReadAll() })
	})
}

// Rows of separators only are counted, each by its line; empty lines are not rows.
//
// Kind: property.
func TestBlankRows(t *testing.T) {
	t.Parallel()
	p := records.NewParser(describe(t, "  {form: csv, columns: {value: v, unit: {always: mm}}}"))
	got, err := p.Feed([]byte("v,zone\n\n1.5,inside\n,\n  \n , \n1.6,inside\n,\n"))
	require.NoError(t, err)
	require.Len(t, got, 2)
	require.Equal(t, []int{4, 6, 8}, p.Left().Blank)
}
