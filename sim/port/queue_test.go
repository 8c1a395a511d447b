package port

import (
	"bytes"
	"testing"

	"pgregory.net/rapid"
)

// TestQueueAgainstModel drives the queue beside a model that is too simple to be
// wrong: a list of whole frames, of which the first may have lost its front.
//
// Kind: model.
func TestQueueAgainstModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := queue{limit: rapid.IntRange(1, 40).Draw(t, "limit"), policy: Policy(rapid.IntRange(0, 1).Draw(t, "policy"))}
		var model [][]byte
		begun := false
		size := func() (n int) {
			for _, f := range model {
				n += len(f)
			}
			return n
		}
		mark := byte(0)
		t.Repeat(map[string]func(*rapid.T){
			"push": func(t *rapid.T) {
				mark++
				frame := bytes.Repeat([]byte{mark}, rapid.IntRange(1, 50).Draw(t, "length"))
				ok, gaveUp := q.push(frame)
				held := 0
				if begun {
					held = len(model[0])
				}
				switch {
				case size()+len(frame) <= q.limit:
					if !ok || gaveUp != nil {
						t.Fatalf("room for %d, yet %v %v", len(frame), ok, gaveUp)
					}
				case q.policy == DropNewest || held+len(frame) > q.limit:
					if ok || gaveUp != nil {
						t.Fatalf("no room for %d, yet %v %v", len(frame), ok, gaveUp)
					}
					return
				default:
					if !ok {
						t.Fatal("room could be made")
					}
					for _, f := range gaveUp {
						if size()+len(frame) <= q.limit {
							t.Fatal("gave up more than it had to")
						}
						at := 0
						if begun {
							at = 1
						}
						if !bytes.Equal(model[at], f) {
							t.Fatalf("gave up %v, the oldest is %v", f, model[at])
						}
						model = append(model[:at:at], model[at+1:]...)
					}
				}
				model = append(model, frame)
			},
			"take": func(t *rapid.T) {
				n := rapid.IntRange(0, len(q.data)).Draw(t, "n")
				q.took(n)
				for n > 0 {
					k := min(n, len(model[0]))
					n -= k
					model[0] = model[0][k:]
					begun = len(model[0]) > 0
					if !begun {
						model = model[1:]
					}
				}
			},
			"rest": func(t *rapid.T) {
				if q.empty() {
					mark++
					left := bytes.Repeat([]byte{mark}, rapid.IntRange(1, 60).Draw(t, "left"))
					q.rest(left)
					model, begun = [][]byte{left}, true
				}
			},
			"": func(t *rapid.T) {
				if want := bytes.Join(model, nil); !bytes.Equal(want, q.data) || q.empty() != (len(want) == 0) {
					t.Fatalf("holds %v, want %v", q.data, want)
				}
				if len(q.lens) != len(model) || q.begun != begun {
					t.Fatalf("%d frames, begun %v; want %d, %v", len(q.lens), q.begun, len(model), begun)
				}
			},
		})
		if n := size(); q.clear() != n || !q.empty() || q.clear() != 0 {
			t.Fatal("clear")
		}
	})
}
