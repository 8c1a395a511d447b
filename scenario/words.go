package scenario

import "example.org/understudy/sim/enum"

// The enumerations of the language, and the words of each; the default comes first.
type (
	// Level is how a control line stands.
	Level = enum.Of[levelWords]
	// Breaks says whether the host sends breaks.
	Breaks = enum.Of[breaksWords]
	// LimitsAre is how a value equal to a limit counts.
	LimitsAre = enum.Of[limitsAreWords]
	// WithinGuard is what a value within the guard band is.
	WithinGuard = enum.Of[withinGuardWords]
	// Keeps is what the host records.
	Keeps = enum.Of[keepsWords]
	// Larger is what a larger part does to the tip.
	Larger = enum.Of[largerWords]
	// FramePart is a part of a frame that need not be sent.
	FramePart = enum.Of[framePartWords]
	// TakesEffect is when a written setting takes effect.
	TakesEffect = enum.Of[takesEffectWords]
	// FactorAt is where the factor is in the measuring chain.
	FactorAt = enum.Of[factorAtWords]
	// MemoryOf is what max and min are kept of.
	MemoryOf = enum.Of[memoryOfWords]
	// StaysOrGoes is what a port does when its gauge is off.
	StaysOrGoes = enum.Of[staysOrGoesWords]
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
	Inclusive LimitsAre = iota
	Strict
)

const (
	Rejected WithinGuard = iota
	Unproven
)

const (
	KeepsTagged Keeps = iota
	KeepsAll
)

const (
	Presses Larger = iota
	Releases
)

const (
	WithNumber FramePart = iota
	WithKeys
	WithTail
	WithLead
)

const (
	AtOnce TakesEffect = iota
	AfterFrame
)

const (
	BeforeDatum FactorAt = iota
	AfterDatum
)

const (
	Averaged MemoryOf = iota
	Raw
)

const (
	Stays StaysOrGoes = iota
	Goes
)

const (
	PTY PortKind = iota
	TCP
	RFC2217
)

type (
	levelWords       struct{}
	breaksWords      struct{}
	limitsAreWords   struct{}
	withinGuardWords struct{}
	keepsWords       struct{}
	largerWords      struct{}
	framePartWords   struct{}
	takesEffectWords struct{}
	factorAtWords    struct{}
	memoryOfWords    struct{}
	staysOrGoesWords struct{}
	portKindWords    struct{}
)

func (levelWords) Names() []string { return []string{"lowered", "raised"} }
func (levelWords) What() string    { return "how a control line stands" }
func (levelWords) Was() map[string]string {
	return map[string]string{"off": "lowered", "on": "raised"}
}

func (breaksWords) Names() []string { return []string{"none", "some"} }
func (breaksWords) What() string    { return "what is said of breaks" }

func (limitsAreWords) Names() []string { return []string{"inclusive", "strict"} }
func (limitsAreWords) What() string    { return "how limits are" }

func (withinGuardWords) Names() []string { return []string{"rejected", "unproven"} }
func (withinGuardWords) What() string    { return "what a value within the guard band is" }

func (keepsWords) Names() []string { return []string{"tagged", "all"} }
func (keepsWords) What() string    { return "what a host keeps" }

func (largerWords) Names() []string { return []string{"presses", "releases"} }
func (largerWords) What() string    { return "what a larger part does" }

func (framePartWords) Names() []string { return []string{"number", "keys", "tail", "lead"} }
func (framePartWords) Was() map[string]string {
	return map[string]string{"tag": "number", "inputs": "keys", "check": "tail", "start": "lead"}
}
func (framePartWords) What() string { return "a part of a frame" }

func (takesEffectWords) Names() []string { return []string{"at-once", "after-frame"} }
func (takesEffectWords) What() string    { return "when a setting takes effect" }

func (factorAtWords) Names() []string { return []string{"before-datum", "after-datum"} }
func (factorAtWords) What() string    { return "a place of the factor" }

func (memoryOfWords) Names() []string { return []string{"averaged", "raw"} }
func (memoryOfWords) What() string    { return "what max and min are kept of" }

func (staysOrGoesWords) Names() []string { return []string{"stays", "goes"} }
func (staysOrGoesWords) What() string    { return "what a port does" }

func (portKindWords) Names() []string { return []string{"pty", "tcp", "rfc2217"} }
func (portKindWords) What() string    { return "a kind of port" }
