package explore

import (
	"fmt"
	"slices"

	"example.org/understudy/harness/hostfile"
	"example.org/understudy/scenario/generate"
)

// Narrow keeps the factors to what a host claims, and names the dialects that it
// claims and for which no scenarios are made. A host that runs already is not ours to
// start again, and is told of no socket's number.
func (o *Options) Narrow(h *hostfile.Host) (unmade []string, err error) {
	if h.Running {
		o.Only = generate.Without(generate.Without(o.Only, "fault", "restart", "kill"), "port", "tcp", "rfc2217")
	}
	claims := map[string]func(string) bool{"dialect": h.Speaks, "port": h.Opens}
	for _, f := range generate.Factors() {
		claimed := claims[f.Name]
		if claimed == nil {
			continue
		}
		if not := slices.DeleteFunc(slices.Clone(f.Levels), claimed); len(not) > 0 {
			o.Only = generate.Without(o.Only, f.Name, not...)
		}
		if left, some := o.Only[f.Name]; some && len(left) == 0 {
			return nil, fmt.Errorf("the host's description claims no %s of those that are explored; understudy explore --only %s=? names them", f.Name, f.Name)
		}
		if f.Name == "dialect" {
			unmade = slices.DeleteFunc(slices.Clone(h.Dialects), func(d string) bool { return slices.Contains(f.Levels, d) })
		}
	}
	return unmade, nil
}
