// Package shipping tells what a built program is and makes what goes out beside it: its
// bill of materials, its manual page, and what a shell completes.
package shipping

import (
	"cmp"
	"encoding/json"
	"fmt"
	"net/url"
	"runtime/debug"
	"strings"
)

// Version says what a program is, in a few lines.
func Version(info *debug.BuildInfo) string {
	set := settings(info)
	text := "understudy " + cmp.Or(info.Main.Version, "(devel)") + "\n"
	if commit := set["vcs.revision"]; commit != "" {
		text += fmt.Sprintf("commit %s of %s", commit, set["vcs.time"])
		if set["vcs.modified"] == "true" {
			text += ", with changes that are not committed"
		}
		text += "\n"
	}
	return text + fmt.Sprintf("%s, %s/%s\n", info.GoVersion, set["GOOS"], set["GOARCH"])
}

func settings(info *debug.BuildInfo) map[string]string {
	set := map[string]string{}
	for _, s := range info.Settings {
		set[s.Key] = s.Value
	}
	return set
}

// The parts of CycloneDX 1.6 that a bill of materials has here. Neither a serial number
// nor a time is in it: of one program it is always the same.
type (
	bill struct {
		Format       string       `json:"bomFormat"`
		Spec         string       `json:"specVersion"`
		Version      int          `json:"version"`
		Metadata     metadata     `json:"metadata"`
		Components   []component  `json:"components"`
		Dependencies []dependency `json:"dependencies"`
	}
	metadata struct {
		Component component `json:"component"`
	}
	component struct {
		Type       string     `json:"type"`
		Ref        string     `json:"bom-ref"`
		Name       string     `json:"name"`
		Version    string     `json:"version"`
		URL        string     `json:"purl"`
		Properties []property `json:"properties,omitempty"`
	}
	property struct {
		Name  string `json:"name"`
		Value string `json:"value"`
	}
	dependency struct {
		Ref string   `json:"ref"`
		On  []string `json:"dependsOn,omitempty"`
	}
)

// SBOM is the bill of materials of a program, as CycloneDX JSON: its modules and Go's
// own library. Which module needs which is not kept in a program; all are listed as needed by it.
func SBOM(info *debug.BuildInfo) []byte {
	b := bill{Format: "CycloneDX", Spec: "1.6", Version: 1}
	b.Metadata.Component = part("application", info.Main.Path, cmp.Or(info.Main.Version, "(devel)"))
	for _, s := range info.Settings {
		b.Metadata.Component.Properties = append(b.Metadata.Component.Properties, property{"go:build:" + s.Key, s.Value})
	}
	needs := dependency{Ref: b.Metadata.Component.Ref}
	add := func(c component) {
		b.Components = append(b.Components, c)
		needs.On = append(needs.On, c.Ref)
		b.Dependencies = append(b.Dependencies, dependency{Ref: c.Ref})
	}
	add(part("library", "std", strings.TrimPrefix(info.GoVersion, "go")))
	for _, m := range info.Deps {
		if m.Replace != nil {
			m = m.Replace
		}
		c := part("library", m.Path, m.Version)
		if m.Sum != "" {
			c.Properties = []property{{"go:module:sum", m.Sum}}
		}
		add(c)
	}
	b.Dependencies = append([]dependency{needs}, b.Dependencies...)
	text, _ := json.MarshalIndent(b, "", " ") // texts only: it cannot fail
	return append(text, '\n')
}

// part is a module as a component. Its address is a package URL, whose names are in
// lower case and whose version is percent-encoded.
func part(kind, path, version string) component {
	address := "pkg:golang/" + strings.ToLower(path) + "@" + url.QueryEscape(version)
	return component{Type: kind, Ref: address, Name: path, Version: version, URL: address}
}
