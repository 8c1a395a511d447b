package library_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"example.org/understudy/harness/library"
)

// Kind: property.
func TestFindByAPartOfItsName(t *testing.T) {
	for name, want := range map[string]string{
		"radio":        "shipped/lessons/5-radio.yaml",
		"5-radio":      "shipped/lessons/5-radio.yaml",
		"preset":       `did you mean one of 04-preset-on-a-master, 2-zero-preset-masters?`,
		"masters":      "shipped/lessons/2-zero-preset-masters.yaml",
		"max-min-fim":  "shipped/06-max-min-fim.yaml",
		"03-inch-host": "shipped/03-inch-host.yaml",
		"inch":         "shipped/03-inch-host.yaml",
		"radoi":        `did you mean "5-radio"?`,
		"adio":         `did you mean "5-radio"?`,
		"xylophone":    "40-published-statistics, 1-limits-and-warnings, ", // as they can be written
	} {
		file, _, err := library.Find(".", name)
		if err != nil {
			require.ErrorContains(t, err, want, name)
			continue
		}
		require.Equal(t, want, file, name)
	}
	_, _, err := library.Find("dialects", "ascii")
	require.Error(t, err, "a dialect is named in full")
}
