package scenario_test

import (
	"io/fs"
	"testing"

	"example.org/understudy/scenario"
	"example.org/understudy/scenarios"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/stretchr/testify/require"
)

func shippedDialect(name string) (string, []byte, error) {
	text, err := scenarios.Files.ReadFile("dialects/" + name + ".yaml")
	return name + ".yaml", text, err
}

// Kind: property.
func TestMarshalReadsBack(t *testing.T) {
	files, err := fs.Glob(scenarios.Files, "*.yaml")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	texts := map[string][]byte{
		"all sorts": []byte(`understudy: 1
title: "All sorts: quoted, 100 % #1"
part: {nominal: 0.5 in, limits: [none, 0.6 in]}
host: {unit: µm, limits-are: strict, keeps: all, writes: [{set: function, to: max}, {do: stream-on}]}
gauges:
  - name: g1
    dialect: multi-ascii
    unit: in
    resolution: 0.0001 in
    sense: falling
    factor: -2
    function: fim
    stream: none
    tags: {first: 0, last: 3, repeat: 200 ms, tries: 2}
    buttons: {A: {press: tag, long: zero, after: 2 s}}
    lamps: [{name: red, shows: zone}]
    cell: {chemistry: nimh, charge: 11 %}
    link: {class: 2, distance: 12 m, place: shop-in-sight}
    port: tcp
    channels: [{name: A, noise: {white: 0.1 µm, hum: {amplitude: 1 µm, frequency: 50 Hz}}}, {name: B, larger-part: releases, probe: {gain-error: 0.001}}]
cues:
  - {at: 0 s, do: press, button: B, for: 1.5 s, gauge: g1}
  - {at: 1 ms, do: preset, to: 0 in, channel: B}
  - {at: 1 s, do: lose link, for: 2 s, seen: silence}
  - {at: 4 s, do: lose link, for: 1 s, return-as: "127.0.0.1:7009"}
  - {at: 4 s, do: set, setting: stream, to: "off"}
until: 9 s
expect: [{tags: 0}, {at: 2 s, void: under}]
`)}
	for _, f := range files {
		texts[f], err = scenarios.Files.ReadFile(f)
		require.NoError(t, err)
	}
	for name, text := range texts {
		t.Run(name, func(t *testing.T) {
			first, err := scenario.Parse(name, text, shippedDialect)
			require.NoError(t, err)
			written := scenario.Marshal(&first.File, "one\n\ntwo")
			again, err := scenario.Parse(name, written, shippedDialect)
			require.NoError(t, err, "%s", written)
			require.Empty(t, cmp.Diff(first.File, again.File, cmpopts.IgnoreUnexported(scenario.Cue{})), "%s", written)
			require.Equal(t, string(written), string(scenario.Marshal(&again.File, "one\n\ntwo")))
			require.Regexp(t, "^# one\n#\n# two\nunderstudy: 1\n", string(written))
		})
	}
}
