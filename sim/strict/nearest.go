package strict

import "fmt"

// Suggest asks whether the word of the list that is nearest was meant, or says what
// else to write.
func Suggest(word string, of []string, otherwise string) string {
	if near := Nearest(word, of); near != "" {
		return fmt.Sprintf("did you mean %q?", near)
	}
	return otherwise
}

// Nearest returns the word of the list that a typist most likely meant, or ""
// when none is near: at most a third of its letters may differ (a swap of two
// neighbours counts as one difference).
func Nearest(word string, of []string) string {
	best, bestD := "", 1<<30
	for _, w := range of {
		if d := distance(word, w); d < bestD {
			best, bestD = w, d
		}
	}
	n := max(len([]rune(word)), len([]rune(best)))
	if bestD > max(1, n/3) {
		return ""
	}
	return best
}

// distance is the optimal-string-alignment distance.
func distance(a, b string) int {
	x, y := []rune(a), []rune(b)
	if len(x) > 64 || len(y) > 64 {
		return 1 << 20
	}
	var rows [3][]int
	for i := range rows {
		rows[i] = make([]int, len(y)+1)
	}
	before, prev, cur := rows[0], rows[1], rows[2]
	for j := range prev {
		prev[j] = j
	}
	for i := 1; i <= len(x); i++ {
		cur[0] = i
		for j := 1; j <= len(y); j++ {
			cost := 1
			if x[i-1] == y[j-1] {
				cost = 0
			}
			cur[j] = min(prev[j]+1, cur[j-1]+1, prev[j-1]+cost)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				cur[j] = min(cur[j], before[j-2]+1)
			}
		}
		before, prev, cur = prev, cur, before
	}
	return prev[len(y)]
}
