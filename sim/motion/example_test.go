package motion_test

import (
	"fmt"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/motion"
)

// A part of 8.0152 mm is put under a resting tip; 200 ms later a cue takes the
// tip over in mid-stroke and brings it down to the master.
func ExamplePath() {
	p := motion.NewPath(9 * decimal.Millimetre)
	p.Move(time.Second, 8015200*decimal.Nanometre, 400*time.Millisecond, motion.Ramp)
	p.Move(1200*time.Millisecond, 8*decimal.Millimetre, 300*time.Millisecond, motion.MinimumJerk)

	tip := p.Cursor()
	for _, at := range []time.Duration{0, 1100, 1200, 1350, 1500} {
		size, _ := tip.At(at * time.Millisecond).In(decimal.MM)
		fmt.Println(at*time.Millisecond, size, "mm")
	}
	// Output:
	// 0s 9 mm
	// 1.1s 8.7538 mm
	// 1.2s 8.5076 mm
	// 1.35s 8.2538 mm
	// 1.5s 8 mm
}
