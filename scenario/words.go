package scenario

import "example.org/understudy/sim/enum"

// The enumerations of the language, and the words of each; the default comes first.
type (
	// Level is how a control line stands.
	Level = enum.Of[levelWords]
	// Breaks says whether the host sends breaks.
	Breaks = enum.Of[breaksWords]
	// PortKind is where a gauge appears to the host.
	PortKind = enum.Of[portKindWords]
)

const (
	LevelOff Level = iota
	LevelOn
)

const (
	NoBreaks Breaks = iota
	SomeBreaks
)

const (
	PTY PortKind = iota
	TCP
	RFC2217
)

type (
	levelWords    struct{}
	breaksWords   struct{}
	portKindWords struct{}
)

func (levelWords) Names() []string { return []string{"lowered", "raised"} }
func (levelWords) What() string    { return "how a control line stands" }
func (levelWords) Was() map[string]string {
	return map[string]string{"off": "lowered", "on": "raised"}
}

func (breaksWords) Names() []string { return []string{"none", "some"} }
func (breaksWords) What() string    { return "what is said of breaks" }

func (portKindWords) Names() []string { return []string{"pty", "tcp", "rfc2217"} }
func (portKindWords) What() string    { return "a kind of port" }
