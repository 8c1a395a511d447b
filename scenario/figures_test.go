package scenario_test

import (
	"fmt"
	"regexp"
	"strings"
	"testing"

	"example.org/understudy/scenario"
	"example.org/understudy/scenarios"
	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

// Kind: property.
func TestNumbersOfTexts(t *testing.T) {
	const file = `understudy: 1
title: 99.9 mm in a title count for nothing
notice: "%s"
%s
part: {feature: pin, size: 8 H7}
gauges: [{name: g2, dialect: line-ascii, link: {class: 1, distance: 12 m}}]
cues: [{at: 2500 ms, do: rest on, size: 8.0120 mm}, {at: 3 s, do: tag}, {at: 4 s, do: warm, part: 26 °C}]
`
	for _, c := range []struct{ notice, figures, want string }{
		{"8.012 mm is 12 µm above 8.000, inside 8.015 mm, after 2.5 s, 12 m away at 0.1 W; g2 is 3 and 9600 8N1", "", `the text says 12 µm`},
		{"8.012 mm is 12 µm above 8.000", "figures: [{says: 12 µm, is: 8.012 mm - 8.000 mm}]", ""},
		{"from 8.000-8.012 mm, 8.000 to 8.015 mm", "", ""},
		{"8.013 mm, 8.014 and -8.012 mm", "", "the text says 8.013 mm; the text says 8.014; the text says -8.012 mm"},
		{"0.3154 in", "figures: [{says: 0.3154 in, is: 8.012 mm}]", ""},
		{"0.3155 in", "figures: [{says: 0.3155 in, is: 8.012 mm}]", "0.3155 in is not 8.012 mm"},
		{"6 K more", "figures: [{says: 6 K, is: 26 °C + 6 °C}]", "6 K is worked out of +6 °C"},
		{"9 dB", "figures: [{says: 9 dB, by: a book}]", ""},
		{"9 dB", "figures: [{says: 9 dB}]", "a figure is one number; the text says 9 dB"},
		{"nothing", "figures: [{says: 9 dB, by: a book}, {says: 12 s, by: a clock}]", "no text says 9 dB; no text says 12 s"},
		{"7 tags", "", "the text says 7"},
		{"7 tags", "figures: [{says: 7, by: the counter}]", ""},
		{"7 tags", "figures: [{says: 7, is: 8 - 1}]", ""},
		{"7 tags", "figures: [{says: 7, is: 8 + 1}]", "7 is not 8 + 1"},
		{"8 tags", "", ""}, // of 8 H7
		{"12 m", "figures: [{says: 12 m, by: a book}]", ""},
	} {
		s := parse(t, fmt.Appendf(nil, file, c.notice, c.figures))
		got := ""
		if err := s.Figured(); err != nil {
			got = regexp.MustCompile(`(?m)^[^ ]+ |,.*$| and .*$|;.*$`).ReplaceAllString(err.Error(), "")
		}
		if want := strings.ReplaceAll(c.want, "; ", "\n"); got != want {
			t.Errorf("%s, %s: %s", c.notice, c.figures, cmp.Diff(want, got))
		}
	}
}

// A number of a shipped notice that is another one by a count is found.
//
// Kind: property.
func TestAWrongNumberOfANotice(t *testing.T) {
	for file, numbers := range map[string]string{"12-two-channels.yaml": "18.006", "08-link-lost.yaml": "11.998,", "18-out-of-range.yaml": "62.018 mm", "03-inch-host.yaml": "0.50063 in", "lessons/2-zero-preset-masters.yaml": "18 µm too"} {
		text, err := scenarios.Files.ReadFile(file)
		require.NoError(t, err)
		require.Contains(t, string(text), numbers)
		last := strings.LastIndexAny(numbers, "0123456789")
		wrong := numbers[:last] + string(numbers[last]^1) + numbers[last+1:]
		s, err := scenario.Parse(file, []byte(strings.Replace(string(text), numbers, wrong, 1)), shippedDialect)
		require.NoError(t, err)
		require.Error(t, s.Figured(), "%s: %s", file, wrong)
	}
}
