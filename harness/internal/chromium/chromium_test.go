package chromium

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// What the other tests take for granted: every tab draws though it is not the
// only one, the mouse reaches it, and its log has what a page complains of.
//
// Kind: process.
func TestPages(t *testing.T) {
	b := Start(t)
	p, q := b.Page(), b.Page()
	for _, s := range []*Page{p, q} {
		s.Open(`data:text/html,<link rel=icon href=data:,><meta http-equiv=Content-Security-Policy content="img-src 'none'"><button>one</button><button onclick="n = 2"> two </button>`)
		s.Size(300, 400)
		require.Equal(t, "300 400", s.Eval(`new Promise(requestAnimationFrame).then(() => innerWidth + " " + innerHeight)`))
		s.Click("two")
		require.Equal(t, "2", s.Eval(`n`))
	}
	require.Empty(t, q.Log())
	q.Close()
	for expr, want := range map[string]string{
		`setTimeout(() => { throw new Error("thrown") }); new Promise((r) => setTimeout(r, 50))`:         "Error: thrown",
		`fetch("http://127.0.0.1:1/").catch(() => 1)`:                                                    "ERR_UNSAFE_PORT",
		`new Promise((r) => { const i = new Image(); i.onerror = r; i.src = "data:image/png;base64," })`: "Content Security Policy",
	} {
		p.Eval(expr)
		require.Contains(t, strings.Join(p.Log(), "\n"), want)
	}
}
