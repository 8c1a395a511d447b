package shipping

import (
	"fmt"
	"slices"
	"strings"

	"github.com/alecthomas/kong"
)

// setups are what each shell is told once, so that it asks the program itself what may
// follow: with the line so far in the variable COMP_LINE, as bash has it.
var setups = map[string]string{
	"bash": "complete -o default -C %[1]s %[1]s\n",
	"zsh":  "autoload -U +X bashcompinit && bashcompinit\ncomplete -o default -C %[1]s %[1]s\n",
	"fish": "complete -c %[1]s -a '(env COMP_LINE=(commandline -cp) %[1]s)'\n",
}

// Setup is what a shell is told so that it completes the program's command lines.
func Setup(app *kong.Application, shell string) (string, error) {
	text, ok := setups[shell]
	if !ok {
		return "", fmt.Errorf("there is no completion for %q; write bash, fish or zsh", shell)
	}
	return fmt.Sprintf(text, app.Name), nil
}

// Complete lists what may stand for the last word of a command line: commands, options,
// or values by the name of the argument or option that they are of. It lists nothing
// where only a file can stand.
func Complete(app *kong.Application, line string, values map[string][]string) (words []string) {
	typed := strings.Fields(line)
	last := ""
	if n := len(typed); n > 0 && !strings.HasSuffix(line, " ") {
		typed, last = typed[:n-1], typed[n-1]
	}
	node, args, option := app.Node, 0, (*kong.Flag)(nil)
	for i, w := range typed {
		switch child := slices.IndexFunc(node.Children, func(n *kong.Node) bool { return n.Name == w }); {
		case i == 0: // the program
		case option != nil:
			option = nil
		case w == "--":
			return nil
		case strings.HasPrefix(w, "-"):
			if f := find(node, w); f != nil && !f.IsBool() && !strings.Contains(w, "=") {
				option = f
			}
		case child >= 0:
			node = node.Children[child]
		default:
			args++
		}
	}
	switch {
	case option != nil:
		words = of(option.Value, values)
	case strings.HasPrefix(last, "-"):
		for _, group := range node.AllFlags(true) {
			for _, f := range group {
				words = append(words, "--"+f.Name)
			}
		}
	case len(node.Children) > 0:
		for _, c := range node.Children {
			words = append(words, c.Name)
		}
	case len(node.Positional) > 0:
		words = of(node.Positional[min(args, len(node.Positional)-1)], values)
	}
	return slices.DeleteFunc(slices.Clone(words), func(w string) bool { return !strings.HasPrefix(w, last) })
}

func of(v *kong.Value, values map[string][]string) []string {
	if v.Enum != "" {
		return v.EnumSlice()
	}
	return values[v.Name]
}

func find(node *kong.Node, word string) *kong.Flag {
	word, _, _ = strings.Cut(word, "=")
	for _, group := range node.AllFlags(true) {
		for _, f := range group {
			if word == "--"+f.Name || f.Short != 0 && word == "-"+string(f.Short) {
				return f
			}
		}
	}
	return nil
}
