package power

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// On the cradle the current through the cell is the difference: 50 mA in, 20 mA
// out lifts the voltage by 30 mA × 120 mΩ = 3.6 mV over rest.
//
// Kind: outside.
func TestCradleLifts(t *testing.T) {
	c := cell(t, Config{Chemistry: LiIon, Capacity: 850, Charge: 50, Milliohm: 120})
	s := c.Start()
	f := c.flow(&s, Load{Draw: 20_000, Charge: 50_000, Temp: 20})
	if got := c.volts(s.nc, f.peak, f.deg) - c.Volts(&s, 0, 20); got != 3_600 {
		t.Errorf("lifted by %d µV", got)
	}
}

// The sag under a peak doubles with each 20 °C below 20 °C, and above it stays the same.
//
// Kind: property.
func TestColdCellsAreStiff(t *testing.T) {
	c := cell(t, Config{Chemistry: LiIon, Capacity: 850, Charge: 60})
	s := c.Start()
	sag := func(temp int) int64 {
		return c.volts(s.nc, 0, degree(temp)) - c.volts(s.nc, 100_000, degree(temp))
	}
	for temp := Coldest; temp <= 0; temp++ {
		if got, warm := sag(temp), sag(temp+20); got < 2*warm-warm/100 || got > 2*warm+warm/100 {
			t.Errorf("at %d °C it sags %d µV, at %d °C %d", temp, got, temp+20, warm)
		}
	}
	for temp := 20; temp <= Hottest; temp++ {
		if got := sag(temp); got != sag(20) {
			t.Errorf("at %d °C it sags %d µV, at 20 °C %d", temp, got, sag(20))
		}
	}
}

// A cell takes charge from 0 °C to 45 °C; what the gauge draws its cradle gives first; and
// the voltage that the charger holds drives less into a cell the fuller it is.
//
// Kind: property.
func TestWhatACradleGives(t *testing.T) {
	c := cell(t, Config{Chemistry: LiIon, Capacity: 850, Charge: 50})
	s := c.Start()
	for temp, charges := range map[int]bool{chargeFrom - 1: false, chargeFrom: true, chargeTo: true, chargeTo + 1: false} {
		if _, ok := c.TimeTo(&s, 51, Load{Charge: 300_000, Temp: temp}); ok != charges {
			t.Errorf("at %d °C it is charged: %v", temp, ok)
		}
	}
	alone, _ := c.TimeTo(&s, 60, Load{Charge: 100_000, Temp: 20})
	if with, ok := c.TimeTo(&s, 60, Load{Charge: 120_000, Draw: 20_000, Temp: 20}); !ok || with != alone {
		t.Errorf("%v at 120 mA with a draw of 20 mA, %v at 100 mA", with, alone)
	}
	before, took := time.Duration(0), time.Duration(0)
	for share := 97.0; share <= 100; share++ {
		at, _ := c.TimeTo(&s, share, Load{Charge: 500_000, Temp: 20})
		if before > 0 && took > 0 && at-before <= took {
			t.Errorf("to %v %% in %v, the per cent before in %v", share, at-before, took)
		}
		if before > 0 {
			took = at - before
		}
		before = at
	}
}

// Charging is by coulomb count too: 990 of 1000 parts go in. 100 mAh at 50 mA
// from empty fills in 100/(50·0.99) h less the leak.
//
// Kind: outside.
func TestCharging(t *testing.T) {
	c := cell(t, Config{Chemistry: LiIon, Capacity: 100, Charge: 0})
	s := c.Start()
	at, ok := c.TimeTo(&s, 100, Load{Charge: 50_000, Temp: 20})
	leak := 100 * 0.02 / 720
	if want := 100 / (50*0.99 - leak); !ok || math.Abs(at.Hours()-want) > 1e-6 {
		t.Errorf("full after %v h, want %v", at.Hours(), want)
	}
	if _, ok := c.TimeTo(&s, 100, Load{Draw: 1000}); ok {
		t.Error("a discharging cell reaches full")
	}
}

// A primary cell takes no charge: on the cradle it runs down as off it.
//
// Kind: property.
func TestAlkalineOnACradle(t *testing.T) {
	c := cell(t, Config{Chemistry: Alkaline, Capacity: 30, Charge: 100})
	off, on := c.Start(), c.Start()
	l := Load{Draw: 20_000, Peak: 150_000, Temp: 20}
	without := drain(c, &off, 3*time.Hour, l)
	l.Charge = 300_000
	with := drain(c, &on, 3*time.Hour, l)
	if d := cmp.Diff(without, with); d != "" || len(with) == 0 || c.Charge(&on) != c.Charge(&off) {
		t.Errorf("%s %v", d, with)
	}
}
