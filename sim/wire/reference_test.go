package wire

import (
	"encoding/hex"
	"hash/crc32"
	"hash/crc64"
	"strings"
	"testing"

	"example.org/understudy/sim/decimal"
)

func unhex(t testing.TB, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Reference library: Go's hash/crc32 and hash/crc64.
//
// Kind: model.
func TestCRCAgainstLibrary(t *testing.T) {
	t.Parallel()
	p := make([]byte, 0, 300)
	for i := range 300 {
		p = append(p, byte(i*7))
		for name, want := range map[string]uint64{
			"crc-32/iso-hdlc": uint64(crc32.ChecksumIEEE(p)),
			"crc-32/iscsi":    uint64(crc32.Checksum(p, crc32.MakeTable(crc32.Castagnoli))),
			"crc-64/xz":       crc64.Checksum(p, crc64.MakeTable(crc64.ECMA)),
			"crc-64/go-iso":   crc64.Checksum(p, crc64.MakeTable(crc64.ISO)),
		} {
			if got, _ := checkSum(name, p); got != want {
				t.Fatalf("%s over %d bytes: %#x, want %#x", name, len(p), got, want)
			}
		}
	}
}

// ISO 1155: with the check character included, the exclusive or of the block is 0.
//
// Kind: outside.
func TestBlockCheckParity(t *testing.T) {
	t.Parallel()
	d := load(t, "block-check")
	b, err := d.AppendFrame(nil, d.FrameNamed("reading"), set(d, d.NewRecord(), 0, Reading, "8.015", Unit, "mm", Zone, "inside"))
	if err != nil {
		t.Fatal(err)
	}
	if b[0] != 2 || b[len(b)-2] != 3 {
		t.Errorf("% X does not stand between STX and ETX", b)
	}
	for column := range 8 {
		ones := 0
		for _, c := range b[1:] {
			ones += int(c) >> column & 1
		}
		if ones%2 != 0 {
			t.Errorf("% X: %d ones in column %d", b, ones, column)
		}
	}
}

// Binary32 numbers of every size read back; what is no number is refused.
//
// Kind: property.
func TestFloatsReadBack(t *testing.T) {
	t.Parallel()
	for u := uint64(0); u < 0x7f800000; u += 1_000_003 { // positive and finite
		v, why := floatValue(u, 4)
		if why != "" {
			t.Fatalf("%#x: %s", u, why)
		}
		if back, _ := floatBits(v, 4); back != u {
			t.Fatalf("%#x is %s, which is %#x", u, v, back)
		}
	}
	if _, why := floatBits(decimal.MustParse("340282356779733661637539395458142568448"), 4); why == "" { // halfway to 2^128: rounds to infinity
		t.Error("2^128 fits in binary32")
	}
	if _, why := floatValue(0x7f800000, 4); why == "" {
		t.Error("infinity is a number")
	}
}

// A quote stands twice within quotes (IEEE 488.2-1992 §8.7.8, from memory).
//
// Kind: outside.
func TestQuotedText(t *testing.T) {
	t.Parallel()
	d := parse(t, "quoted.yaml", `
dialect: quoted
framing: {kind: delimited, end: "\n"}
frames:
  - {name: string, fields: [{text: s, quoted: true}]}
`)
	rec := d.NewRecord()
	rec.Set(d.Term("s"), 0, Str(`say "hi"`))
	b, err := d.AppendFrame(nil, 0, rec)
	if err != nil || string(b) != `"say ""hi"""`+"\n" {
		t.Errorf("%q, %v", b, err)
	}
	d.NewEnd(Host).Receive(b, 0, func(inc Incoming) {
		if inc.Garbage != nil || !inc.Rec.Get(d.Term("s"), 0).Same(rec.Get(d.Term("s"), 0)) {
			t.Errorf("%q: %v", b, inc.Garbage)
		}
	})
}

// IEEE 488.2-1992 §11.5.1 (event status), §11.2 (status byte), §11.3.2
// (service request enable); SCPI-99 volume 2 §21.8 (errors −113, −350, the
// empty queue); forms and numbers from memory.
//
// Kind: outside.
func TestSCPIStatus(t *testing.T) {
	t.Parallel()
	d := load(t, "scpi")
	e := d.NewEnd(Gauge)
	ask := func(line string) string {
		var out []byte
		e.Receive([]byte(line+"\n"), 0, func(inc Incoming) {
			if req, ok := e.Request(inc); ok {
				rec := set(d, d.NewRecord(), 0, Reading, "8.015", Name, "bore-1", Serial, Str("0017"))
				o := Outcome{OK: true, Rec: rec}
				if req.Verb == "set" && req.Setting == "lower" && req.Value.Num.Sign() < 0 {
					o = Outcome{Reason: "out of range"}
				}
				if req.Verb == "get" {
					rec.Set(d.Term(SettingTo), 0, toValue("7.985"))
				}
				var err error
				if out, err = e.AppendReply(out, req, o); err != nil {
					t.Errorf("%s: %v", line, err)
				}
			}
		})
		return string(out)
	}
	for _, tt := range []struct{ line, want string }{
		{"*ESR?", "128\n"},
		{"*ESR?", "0\n"},
		{"*IDN?", "UNDERSTUDY,bore-1,0017,0\n"},
		{"SYST:ERR?", "0,\"No error\"\n"},
		{"*ESE 60;*SRE 255", ""},
		{"*ESE?;*SRE?", "60;191\n"},
		{"NONSENSE?", ""},
		{"*STB?", "100\n"},
		{"*ESR?", "32\n"},
		{"SYSTEM:ERROR:NEXT?", "-113,\"Undefined header\"\n"},
		{"CALC:LIM:LOW -1", ""},
		{"CALC:LIM:LOW abc", ""},
		{"syst:err:coun?", "2\n"},
		{"SYST:ERR?;ERR?", "-222,\"Data out of range\";-104,\"Data type error\"\n"},
		{"*ESR?", "48\n"},
		{"*STB?", "0\n"},
		{"*OPC;*ESR?", "1\n"},
		{"*OPC?", "1\n"},
		{":MEAS?;:MEASURE:SCALAR:DISTANCE?", "8.015;8.015\n"},
		{"MEAS? (@1)\r", "8.015\n"},
		{"CALC:LIM:LOW 7.985E0;LOW?;UPP?", "7.985;7.985\n"},
		{"CALC:FUNC max", ""},
	} {
		if got := ask(tt.line); got != tt.want {
			t.Errorf("%s: %q, want %q", tt.line, got, tt.want)
		}
	}
	for range 20 {
		ask("WRONG")
	}
	if got := ask("SYST:ERR:COUN?"); got != "16\n" {
		t.Errorf("a full queue holds %q", got)
	}
	for range 15 {
		if got := ask("SYST:ERR?"); !strings.HasPrefix(got, "-113,") {
			t.Errorf("got %q", got)
		}
	}
	if got := ask("SYST:ERR?"); got != "-350,\"Queue overflow\"\n" {
		t.Errorf("the last place holds %q", got)
	}
	ask("WRONG")
	if got := ask("*CLS;SYST:ERR?"); got != "0,\"No error\"\n" {
		t.Errorf("*CLS leaves %q", got)
	}
}

// SCPI-99 volume 1 §6.2.1: a keyword is its short or its long form and
// nothing between, in any case (from memory).
//
// Kind: outside.
func TestHeaderWords(t *testing.T) {
	t.Parallel()
	words, err := headerWords("SYSTem:ERRor[:NEXT]?")
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]bool{}
	for _, w := range words {
		got[w] = true
	}
	for _, w := range []string{"SYST:ERR?", "SYSTEM:ERROR?", "SYST:ERROR:NEXT?", "SYSTEM:ERR:NEXT?"} {
		if !got[w] {
			t.Errorf("%s is not taken", w)
		}
	}
	if got["SYSTE:ERR?"] || got["SYST:NEXT?"] || words[0] != "SYST:ERR?" {
		t.Errorf("taken: %v", words)
	}
}

// checkSum computes a check value by the name that a dialect file uses for it.
func checkSum(name string, p []byte) (uint64, error) {
	c, err := newChecker(name, 1, nil)
	if err != nil {
		return 0, err
	}
	return c.sum(p), nil
}
