package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/stretchr/testify/require"
)

// The shell steps of the examples for build servers, and the commands of the page
// beside them, do what they say for a host that is right and for one that is not. How
// understudy is installed is left out: CI installs it so from a proxy.
//
// Kind: process.
func TestBuildServerExamples(t *testing.T) {
	t.Parallel()
	var github struct {
		Jobs map[string]struct {
			Steps []struct{ Run, Shell string }
		}
	}
	var gitlab map[string]struct{ Script []string }
	read := func(name string) []byte {
		text, err := os.ReadFile(filepath.Join("../../testdata/clients", name))
		require.NoError(t, err)
		return text
	}
	require.NoError(t, yaml.Unmarshal(read("ci/github.yaml"), &github))
	require.NoError(t, yaml.Unmarshal(read("ci/gitlab.yaml"), &gitlab))
	scripts := map[string][]string{"gitlab": gitlab["host on virtual gauges"].Script}
	for _, s := range github.Jobs["check"].Steps {
		if s.Run != "" {
			scripts["github"] = append(scripts["github"], s.Run)
		}
	}
	_, block, _ := strings.Cut(string(read("README.md")), "```sh\n")
	block, _, _ = strings.Cut(block, "```")
	require.Contains(t, block, "exit code $?")
	scripts["page"] = []string{"cp tests/myhost.yaml .\n" + strings.Replace(block, "\necho", "; code=$?\necho", 1) + "\nexit $code"}
	bin := filepath.Dir(asUnderstudy(t))
	for name, steps := range scripts {
		for defect, verdict := range map[string]string{"": "pass", "strict-limits": "fail"} {
			t.Run(name+" "+verdict, func(t *testing.T) {
				t.Parallel()
				dir := t.TempDir()
				require.NoError(t, os.Mkdir(filepath.Join(dir, "tests"), 0o755))
				host := `{understudy-host: 1, run: ["{self}", refhost, --job, "{job}", DEFECT], scenarios: [in-the-middle, on-every-limit], records: {form: csv}}`
				host = strings.Replace(host, ", DEFECT", map[string]string{"": "", "strict-limits": ", --defect, strict-limits"}[defect], 1)
				require.NoError(t, os.WriteFile(filepath.Join(dir, "tests", "myhost.yaml"), []byte(host), 0o644))
				ran, code := 0, 0
				var said bytes.Buffer
				for _, step := range steps {
					if strings.HasPrefix(step, "go install example.org/understudy/cmd/understudy@latest") {
						continue
					}
					cmd := exec.Command("bash", "--noprofile", "--norc", "-o", "pipefail", "-c", step)
					cmd.Dir, cmd.Stdout, cmd.Stderr = dir, &said, &said
					cmd.Env = append(os.Environ(), "PATH="+bin+":"+os.Getenv("PATH"), "GITHUB_STEP_SUMMARY="+filepath.Join(dir, "summary"))
					if err := cmd.Run(); err != nil {
						code = cmd.ProcessState.ExitCode()
					}
					ran++
				}
				require.Equal(t, 1, ran)
				require.Equal(t, map[string]int{"pass": 0, "fail": 1}[verdict], code, said.String())
				if name == "page" {
					report, err := os.ReadFile(filepath.Join(dir, "report.json"))
					require.NoError(t, err)
					require.Contains(t, string(report), `"verdict": "`+verdict+`"`)
					return
				}
				junit, err := os.ReadFile(filepath.Join(dir, "understudy.xml"))
				require.NoError(t, err)
				require.Equal(t, verdict == "fail", strings.Contains(string(junit), "<failure"), string(junit))
				require.FileExists(t, filepath.Join(dir, "understudy.html"))
			})
		}
	}
}
