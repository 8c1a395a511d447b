package judge

import (
	"example.org/understudy/harness/cause"
)

// counter is where in the frames of a gauge the number stands that counts them: a run of
// digits that begins at a byte, or two bytes there.
type counter struct {
	form int // one of the forms of a count; 0: it is not known
	at   int
}

const (
	asDigits = iota + 1
	asBigEndian
	asLittleEndian
	countForms
)

// of is a frame's count, −1 where it has none.
func (c counter) of(s *cause.Seen) int64 {
	if c.form == 0 || s.State == cause.Spoilt || c.at+1 >= len(s.Bytes) {
		return -1
	}
	b := s.Bytes[c.at:]
	switch c.form {
	case asBigEndian:
		return int64(b[0])<<8 | int64(b[1])
	case asLittleEndian:
		return int64(b[1])<<8 | int64(b[0])
	}
	n, digits := int64(0), 0
	for digits < min(len(b), 9) && b[digits] >= '0' && b[digits] <= '9' {
		n = n*10 + int64(b[digits]-'0')
		digits++
	}
	if digits == 0 {
		return -1
	}
	return n
}

// Bounds of the search for counts.
const (
	countedFrames = 200 // of each gauge
	countedWithin = 12  // bytes from the beginning
)

// counters finds the counts of the gauges whose frames carry one: the number that is
// nearly always one more than in the frame before.
func (j *judging) counters() []counter {
	out := make([]counter, len(j.Gauges))
	for g := range j.Gauges {
		if !j.Gauges[g].Counts {
			continue
		}
		var frames []*cause.Seen
		for i := 0; i < len(j.h.Seen) && len(frames) < countedFrames; i++ {
			if s := &j.h.Seen[i]; int(s.Gauge) == g && s.What == cause.Frame && s.State == cause.Sure {
				frames = append(frames, s)
			}
		}
		most := 0
		for form := 1; form < countForms; form++ {
			for at := range countedWithin {
				c, rises := counter{form, at}, 0
				for i := 1; i < len(frames); i++ {
					if n := c.of(frames[i]); n > 0 && n == c.of(frames[i-1])+1 {
						rises++
					}
				}
				if rises > most && 3*rises >= 2*(len(frames)-1) {
					out[g], most = c, rises
				}
			}
		}
	}
	return out
}
