package records_test

import (
	"strings"
	"testing"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/harness/records"
	"example.org/understudy/sim/decimal"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
)

// A draft made from a sample reads the sample.
//
// Kind: property.
func TestDraftReadsItsSample(t *testing.T) {
	t.Parallel()
	latin := func(s string) string {
		out, err := charmap.Windows1252.NewEncoder().String(s)
		require.NoError(t, err)
		return out
	}
	wide, err := unicode.UTF16(unicode.LittleEndian, unicode.UseBOM).NewEncoder().String("when\tresult\tsize\n2026-01-31 07:30:00\tpass\t8.015 mm\n")
	require.NoError(t, err)
	for name, c := range map[string]struct {
		sample        string
		want, guesses []string
	}{
		"our own": {"time,gauge,channel,tag,value,unit,zone,event\n2026-01-31T07:30:00Z,bore-1,A,7,8.0150,mm,warn-high,reading\n2026-01-31T07:30:00Z,bore-1,A,,,,,low-cell\n",
			[]string{"2 reading at 2026-01-31T07:30:00Z bore-1/A tag 7 value 8.0150 mm warn-high", "3 low-cell at 2026-01-31T07:30:00Z bore-1/A"}, nil},
		"german": {latin("Protokoll vom 31.01.2026\nDatum;Uhrzeit;Prüfgerät;lfd. Nr.;Messwert;Einheit;Bewertung\n31.01.2026;07:30:00,125;Uhr 1;1;8,015;mm;i.O.\n31.01.2026;07:30:01,125;Uhr 1;2;8,021;mm;zu groß\n31.01.2026;07:30:02,125;Uhr 1;3;---;mm;Fehler\n"),
			[]string{"3 reading at 2026-01-31T07:30:00.125Z Uhr 1/ tag 1 value 8.015 mm inside", "4 reading at 2026-01-31T07:30:01.125Z Uhr 1/ tag 2 value 8.021 mm above", "5 reading at 2026-01-31T07:30:02.125Z Uhr 1/ tag 3 mm void"},
			[]string{"the separator between fields: semicolon", "the first 1 lines are not records", "the decimal mark is a comma", `the verdict word "zu groß" means above`}},
		"no header": {"1|8.0150|OK\n2|8.0210|HI\n3|7.9800|LO\n",
			[]string{"1 reading tag 1 value 8.0150 inside", "2 reading tag 2 value 8.0210 above", "3 reading tag 3 value 7.9800 below"},
			[]string{"the first row is a record and not a header", "no column with times was found"}},
		"json among other lines": {"starting\nopened port\nready\n{\"at\":1769844600125,\"m\":{\"value\":8.0150,\"unit\":\"mm\"},\"seq\":4,\"status\":\"GOOD\"}\n{\"at\":1769844600225,\"m\":{\"value\":null,\"unit\":\"mm\"},\"seq\":5,\"status\":\"INVALID\"}\n",
			[]string{"4 reading at 2026-01-31T07:30:00.125Z tag 4 value 8.0150 mm inside", "5 reading at 2026-01-31T07:30:00.225Z tag 5 mm void"},
			[]string{"lines that do not begin with a brace are other output, not records", "times are written as unix-ms, in UTC"}},
		"statistics": {"gauge,tag,value,zone,event\nb,1,8.015,inside,reading\nb,,8.015,,Mean\nb,,27.9,,%R&R\n",
			[]string{"2 reading b/ tag 1 value 8.015 inside", "3 mean b/ value 8.015", "4 %R&R b/ value 27.9"},
			[]string{"rows whose event is %R&R, Mean are statistics of the tagged readings: write by which rules under summary"}},
		"utf-16": {wide, []string{"2 reading at 2026-01-31T07:30:00Z value 8.015 mm inside"}, []string{"the encoding: utf-16"}},
		"day or month": {"Timestamp,Reading,Judgement\n01/02/2026 07:30:00,0.315 in,OK\n",
			[]string{"2 reading at 2026-02-01T07:30:00Z value 0.315 in inside"}, []string{"the times fit MM/DD/YYYY hh:mm:ss,f as well: look which is meant"}},
		"words on rows with a value": {"Zeit;Platz;Merkmal;Lfd;Maß;Urteil;Art\n2026-01-31 07:30:00;Bohrung;A;41;8,015;OK;Maß\n2026-01-31 07:30:01;Bohrung;A;42;8,021;OK;Maß\n2026-01-31 07:30:02;Bohrung;;;;;Pause\n2026-01-31 07:30:03;Bohrung;A;43;8,022;OK;Maß\n",
			[]string{"2 reading at 2026-01-31T07:30:00Z Bohrung/A tag 41 value 8.015 inside", "3 reading at 2026-01-31T07:30:01Z Bohrung/A tag 42 value 8.021 inside", "4  at 2026-01-31T07:30:02Z Bohrung/", "5 reading at 2026-01-31T07:30:03Z Bohrung/A tag 43 value 8.022 inside"},
			[]string{`the event word "Maß" means reading: it stands in rows that have a value`, `question: events: what does the event word "Pause" mean? Its rows have no value`, `the gauges are called Bohrung: map what a scenario calls otherwise, as in gauges: {"Bohrung": NAME}`}},
		"a column that counts": {"Station,Characteristic,Piece,Reading (in),Result\nS1,bore,7,0.3155,PASS\nS1,bore,8,0.3156,PASS\nS1,bore,9,0.3157,PASS\n",
			[]string{"2 reading S1/bore value 0.3155 in inside", "3 reading S1/bore value 0.3156 in inside", "4 reading S1/bore value 0.3157 in inside"},
			[]string{`question: tag: does the column "Piece" hold the gauge's tag number?`, `the unit is in in every row, as the header "Reading (in)" says`}},
		"unit in brackets": {"Nr;Ist [mm]\n1;8,015\n2;8,021\n", []string{"2 reading tag 1 value 8.015 mm", "3 reading tag 2 value 8.021 mm"}, []string{`the unit is mm in every row`}},
		"unit behind":      {"value_µm,result\n8015,ok\n8021,ok\n", []string{"2 reading value 8015 µm inside", "3 reading value 8021 µm inside"}, nil},
		"unit behind each": {"value,result\n8.015 mm,ok\n8.021 mm,ok\n", []string{"2 reading value 8.015 mm inside", "3 reading value 8.021 mm inside"}, []string{"the unit stands behind the value"}},
		"in is a word":     {"value put in,result\n8.015,ok\n", []string{"2 reading value 8.015 inside"}, []string{"no column holds the unit"}},
		"whose id":         {`{"station":{"id":"S1"},"nr":1,"value":8.015}` + "\n", []string{"1 reading S1/ tag 1 value 8.015"}, nil},
		"out on no side": {"value,result\n8.01,OK\n8.03,NOK\n",
			[]string{"2 reading value 8.01 warn-low or inside or warn-high", "3 reading value 8.03 below or above"},
			[]string{`the verdict word "NOK" says that a reading is out, and not on which side: it means below and above`, `the verdict word "OK" means inside, warn-low and warn-high`}},
	} {
		t.Run(name, func(t *testing.T) {
			text, guesses, err := hostfile.Draft([]byte(c.sample))
			require.NoError(t, err)
			h, err := hostfile.Parse("draft", text)
			require.NoError(t, err, string(text))
			got, err := records.Parse(h.Records, strings.NewReader(c.sample))
			require.NoError(t, err, string(text))
			if d := cmp.Diff(c.want, showAll(got)); d != "" {
				t.Errorf("%s\n%s", d, text)
			}
			all := strings.Join(guesses, "\n")
			for _, g := range c.guesses {
				require.Contains(t, all, g)
			}
		})
	}
}

// What the sample does not show is asked, at its place, and not guessed.
//
// Kind: property.
func TestDraftAsks(t *testing.T) {
	t.Parallel()
	text, guesses, err := hostfile.Draft([]byte("Piece;Size;Einheit;Check;Type\n1;8,015;mm;OK;size\n2;8,021;mm;HI?;size\n3;8,031;mm;HI!;size\n4;;mm;LO;size\n5;;;;shift\n6;8,000;Stk;odd;size\n"))
	require.NoError(t, err)
	h, err := hostfile.Parse("draft.yaml", text)
	require.NoError(t, err)
	require.Equal(t, []string{
		`draft.yaml:9:18: still to be answered: which column it is; write the column's name or number, or leave the key out`,
		`draft.yaml:12:11: still to be answered: which unit the word "Stk" means; write one of ` + strings.Join(decimal.UnitSymbols(), ", "),
	}, strings.Split(h.Asked[:2].Error(), "\n"), "%s", text)
	all := strings.Join(guesses, "\n")
	for _, ask := range []string{
		`tag: does the column "Piece" hold the gauge's tag number?`, `units: which unit does the word "Stk" mean?`,
		`zones: which zone does the verdict word "HI?" mean? "HI!" looks the same`, `the verdict word "HI!" mean? "HI?" looks the same`,
		`the verdict word "LO" mean? No row with it has a value`, `the verdict word "odd" mean? It is not known`,
		`events: what does the event word "shift" mean? Its rows have no value`,
	} {
		require.Contains(t, all, "question: ")
		require.Contains(t, all, ask)
		require.Contains(t, string(text), "  # ", "the question stands above its line")
		require.Contains(t, string(text), ask)
	}
	require.Len(t, h.Asked, 7, "%v\n%s", h.Asked, text)
}

// What holds no records is said to hold none.
//
// Kind: property.
func TestDraftOfNoRecords(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct{ sample, want string }{
		"empty":  {"", "the sample is empty; take a file that holds some of the host's records"},
		"blank":  {"\ufeff \r\n\n", "the sample is empty; take a file that holds some of the host's records"},
		"binary": {strings.Repeat("\x7fELF\x02\x01\x01\x00\x00", 9), "the sample is no text: 54 of its 81 characters are control characters or none; take a file of CSV or JSON Lines, or an SQLite database or a workbook"},
	} {
		t.Run(name, func(t *testing.T) {
			_, _, err := hostfile.Draft([]byte(c.sample))
			require.EqualError(t, err, c.want)
		})
	}
}

// Kind: property.
func FuzzDraft(f *testing.F) {
	f.Add([]byte("a;b\n1;2\n"))
	f.Add([]byte("{\"value\": 1}\n"))
	f.Add([]byte("SQLite format 3\x00"))
	f.Add([]byte("\xff\xfea\x00"))
	f.Add([]byte("value,zone\n1,\"a: {b}\"\n"))
	f.Fuzz(func(t *testing.T, sample []byte) {
		text, _, err := hostfile.Draft(sample)
		if err != nil {
			return
		}
		if _, err := hostfile.Parse("draft", text); err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
	})
}
