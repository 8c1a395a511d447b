package dissector_test

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"example.org/understudy/harness/capture"
	"example.org/understudy/harness/capture/dissector"
	"example.org/understudy/harness/library"
	"example.org/understudy/harness/paper"
	"example.org/understudy/scenario"
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/stage/ledger"
	"example.org/understudy/sim/testenv"
	"example.org/understudy/sim/wire"
)

var began = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

func shipped(name string) (string, []byte, error) { return library.Find("dialects", name) }

// shows is what tshark shows of a gauge's events with the dissector of a dialect: a
// row a packet, each field's values with semicolons between them.
func shows(t *testing.T, dialect string, events []capture.Event, fields ...string) (rows [][]string) {
	t.Helper()
	file, text, err := shipped(dialect)
	require.NoError(t, err)
	lua, err := dissector.Lua(file, text)
	require.NoError(t, err)
	dir := t.TempDir()
	script, pcap := filepath.Join(dir, "d.lua"), filepath.Join(dir, "c.pcapng")
	require.NoError(t, os.WriteFile(script, lua, 0o600))
	out, err := os.Create(pcap)
	require.NoError(t, err)
	w, err := capture.NewWriter(out, began, []capture.Line{{Name: "bore-1"}})
	require.NoError(t, err)
	for _, e := range events {
		e.Line = 0
		require.NoError(t, w.Write(e))
	}
	require.NoError(t, out.Close())
	short := strings.ReplaceAll(dialect, "-", "_")
	args := []string{"-X", "lua_script:" + script, "-d", "rtacser.data," + short, "-r", pcap, "-Y", short + " || _ws.lua.error", "-T", "fields",
		"-E", "separator=|", "-E", "aggregator=;", "-e", "_ws.lua.error"}
	for _, f := range fields {
		args = append(args, "-e", short+"."+f)
	}
	var complaints bytes.Buffer
	cmd := exec.Command("tshark", args...)
	cmd.Stderr = &complaints
	said, err := cmd.Output()
	require.NoError(t, err, "%s", complaints.String())
	for _, line := range strings.Split(strings.TrimSuffix(string(said), "\n"), "\n") {
		row := strings.Split(line, "|")
		require.Empty(t, row[0], "the dissector has a fault")
		rows = append(rows, row[1:])
	}
	return rows
}

// Wireshark's own engine, with the dissector of a dialect, reads from a capture of a
// scenario the readings, zones and tags that the ledger has.
//
// Kind: outside.
func TestTsharkShowsWhatTheLedgerHas(t *testing.T) {
	testenv.Works(t, "tshark", "tshark", "-v")
	t.Parallel()
	for name, dialect := range map[string]string{
		"01-in-the-middle": "line-ascii", "07-tag-burst": "line-ascii", "10-no-reading": "compact-binary", "13-the-fine-print": "compact-binary",
		"12-two-channels": "multi-ascii", "32-parts-of-a-line": "parts-ascii",
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			file, text, err := library.Find(".", name)
			require.NoError(t, err)
			s, err := scenario.Parse(file, text, shipped)
			require.NoError(t, err)
			entries, err := paper.Ledger(t.Context(), s)
			require.NoError(t, err)
			var want, got, wantTags, gotTags []string
			frames := map[int]*ledger.Frame{}
			for _, e := range entries {
				if e.Frame != nil {
					frames[e.Frame.ID] = e.Frame
				}
				if e.Out == nil || e.Out.Fate != ledger.Sent {
					continue
				}
				ids := e.Out.Frames
				if e.Out.Fault == "duplicate" {
					ids = append(slices.Clip(ids), ids...)
				}
				for _, id := range ids {
					f := frames[id]
					for _, r := range f.Readings {
						if r.Void != "" {
							want = append(want, r.Void)
						} else {
							want = append(want, r.Shown.Trim().String()+" "+r.Unit+" "+r.Zone.String())
						}
					}
					if f.Tag != nil && !f.Numberless {
						wantTags = append(wantTags, decimal.New(*f.Tag, 0).String())
					}
				}
			}
			for _, row := range shows(t, dialect, capture.FromLedger(entries, began).Events, "reading", "unit", "zone", "tag", "check", "garbage") {
				require.NotContains(t, row[4], "bad")
				require.Empty(t, row[5])
				readings := strings.Split(row[0], ";")
				if row[0] == "" {
					readings = nil
				}
				for i, r := range readings {
					d, err := decimal.Parse(r)
					if err != nil {
						got = append(got, r)
						continue
					}
					got = append(got, d.Trim().String()+" "+strings.Split(row[1], ";")[i]+" "+strings.Split(row[2], ";")[i])
				}
				if row[3] != "" {
					gotTags = append(gotTags, strings.Split(row[3], ";")...)
				}
			}
			require.Greater(t, len(want), 20)
			require.Empty(t, cmp.Diff(want, got))
			require.Empty(t, cmp.Diff(wantTags, gotTags))
		})
	}
}

// Every frame and command of every dialect of which a dissector can be made is found
// in a stream that is cut anywhere, with its check good; one damaged byte is seen.
//
// Kind: outside.
func TestTsharkFindsEveryFrame(t *testing.T) {
	testenv.Works(t, "tshark", "tshark", "-v")
	t.Parallel()
	made := 0
	for _, name := range library.Shipped("dialects") {
		file, text, err := shipped(name)
		require.NoError(t, err)
		if _, err := dissector.Lua(file, text); err != nil {
			continue
		}
		made++
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			d, err := wire.Parse(file, text)
			require.NoError(t, err)
			var events []capture.Event
			var want []string
			for i, f := range d.Frames() {
				_, raw, err := d.Sample(wire.Frame(i))
				require.NoError(t, err)
				kind := capture.FromGauge
				if f.From == wire.Host {
					kind = capture.FromHost
				}
				cut := len(raw) * (i % 3) / 3 // some in one piece, some in two
				for _, p := range [][]byte{raw[:cut], raw[cut:]} {
					if len(p) > 0 {
						events = append(events, capture.Event{At: time.Duration(len(events)) * time.Millisecond, Kind: kind, Bytes: p})
					}
				}
				want = append(want, f.Name)
			}
			_, raw, err := d.Sample(d.FrameFor("reading"))
			require.NoError(t, err)
			damaged := slices.Clone(raw)
			damaged[len(damaged)/2] ^= 1
			events = append(events, capture.Event{At: time.Second, Kind: capture.FromGauge, Bytes: damaged}, capture.Event{At: 2 * time.Second, Kind: capture.FromGauge, Bytes: raw})
			var got []string
			seen, good, checked := "", "", false
			for _, row := range shows(t, name, events, "frame", "check", "garbage") {
				if row[0] != "" {
					got = append(got, strings.Split(row[0], ";")...)
				}
				if len(got) <= len(want) && row[2] == "" {
					require.NotContains(t, row[1], "bad", "%v", row)
				}
				seen, good = good+seen, row[1]+row[2]
				checked = checked || row[1] != ""
			}
			require.Subset(t, got, want)
			require.NotContains(t, good, "bad", "the frame after the damaged one")
			require.Equal(t, checked, seen != "", "the damaged frame")
		})
	}
	require.GreaterOrEqual(t, made, 7)
}

// Kind: property.
func TestRefusesWhatItCannotRead(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]string{
		"modbus-rtu": "the framing silence", "scpi": "a field of kind header", "seven-bit": "pieces of int", "slcan-pdo": "further framings",
	} {
		file, text, err := shipped(name)
		require.NoError(t, err)
		_, err = dissector.Lua(file, text)
		require.ErrorContains(t, err, want)
	}
	_, err := dissector.Lua("mine.yaml", []byte("dialect: [\n"))
	require.ErrorContains(t, err, "mine.yaml:1")
}
