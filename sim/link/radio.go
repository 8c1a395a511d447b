package link

import (
	"errors"
	"fmt"
	"math"
	"time"

	"example.org/understudy/sim/enum"
)

// Class is the transmit power class of a radio: Bluetooth Core Specification,
// Vol 2 Part A, table 3.1; from memory.
type Class uint8

// Power classes, by their largest output.
const (
	Class1 Class = 1 // 100 mW
	Class2 Class = 2 // 2.5 mW
	Class3 Class = 3 // 1 mW
)

// Microwatts is the class's largest output power; 0 for an unknown class.
func (c Class) Microwatts() int64 { return microwatts[c] }

var microwatts = map[Class]int64{Class1: 100_000, Class2: 2_500, Class3: 1_000}

// DBm is the output power in decibels over a milliwatt.
func (c Class) DBm() float64 { return quantise(10 * math.Log10(float64(c.Microwatts())/1000)) }

// Radio constants.
const (
	Megahertz = 2441.0 // middle of the hops, 2402 to 2480 MHz
	// RequiredSensitivity is the weakest signal, dBm, at which every receiver
	// must reach a bit error rate of 0.1 % (Core Vol 2 Part A, 4.1.1; from memory). Real
	// ones do 10 to 20 dB better (common practice).
	RequiredSensitivity = -70.0
	// MaxActive is the most gauges one radio can talk to: a piconet has seven
	// active members, as its members' address is three bits and zero is the
	// broadcast (Core Vol 2 Part B, 4.2 LT_ADDR; from memory).
	MaxActive = 7
	// Supervision is how long a link may hear nothing before it is lost:
	// 0x7D00 slots of 0.625 ms (Core Vol 4 Part E, 6.21, from memory; the value
	// confirmed from a module maker's manual).
	Supervision = 20 * time.Second
	// Slot is one time slot; sending and answering takes two.
	Slot = 625 * time.Microsecond
)

// Losses through walls and floors, dB: COST 231 multi-wall model, as used in
// 3GPP TR 25.952, 5.1.1 (measured at 1.8 GHz; a little more at 2.4 GHz), from memory.
const (
	LightWall = 3.4  // plasterboard, thin partitions
	HeavyWall = 6.9  // load-bearing, brick, concrete
	OneFloor  = 18.3 // the first floor between
)

// quantise rounds to 1e-9, so that a last-bit difference between processors'
// math libraries does not become a different simulation.
func quantise(x float64) float64 { return math.Round(x*1e9) / 1e9 }

// FreeSpace is the loss between two isotropic antennas with nothing between,
// in dB (Friis; ITU-R P.525; from memory):
//
//	L = 20·log10(4π·d·f/c)
//
// which is 20·log10(d/km) + 20·log10(f/MHz) + 32.45.
func FreeSpace(metres, megahertz float64) float64 {
	const c = 299_792_458
	return quantise(20 * math.Log10(4*math.Pi*metres*megahertz*1e6/c))
}

// Coefficients of the site-general indoor model of ITU-R P.1238:
//
//	L = 10·α·log10(d/m) + β + 10·γ·log10(f/GHz)   dB, median
//
// with a normally distributed spread of σ dB, for d from Min to Max metres.
type Coefficients struct {
	Alpha, Beta, Gamma float64
	Sigma              float64 // dB
	Min, Max           float64 // metres
}

// Loss is the median loss in dB.
func (k Coefficients) Loss(metres, megahertz float64) float64 {
	return quantise(float64(10*k.Alpha*math.Log10(metres)) + k.Beta + float64(10*k.Gamma*math.Log10(megahertz/1000)))
}

// Place is where the radio and the gauge stand.
type Place = enum.Of[places]

// Places; LoS: in line of sight of each other, NLoS: not.
const (
	FreeAir Place = iota
	OfficeLoS
	OfficeNLoS
	CorridorLoS
	CorridorNLoS
	IndustrialLoS
	IndustrialNLoS
)

type places struct{}

func (places) Names() []string { return placeNames }
func (places) What() string    { return "a place" }

var placeNames = []string{"free-air", "office-in-sight", "office-out-of-sight", "corridor-in-sight", "corridor-out-of-sight", "shop-in-sight", "shop-out-of-sight"}

// PlaceCoefficients are those of ITU-R P.1238-11, table 2, as transcribed by a program
// that names it as its source (aajuvonen/octave-rxt, model_p1238.m); a second
// program has the same row for the office in sight and states it for -12. The
// Recommendation itself was not opened. ok is false for FreeAir.
func PlaceCoefficients(p Place) (k Coefficients, ok bool) {
	k, ok = coefficients[p]
	return k, ok
}

var coefficients = map[Place]Coefficients{
	OfficeLoS:      {1.46, 34.62, 2.03, 3.76, 2, 27},
	OfficeNLoS:     {2.46, 29.53, 2.38, 5.04, 4, 30},
	CorridorLoS:    {1.63, 28.12, 2.25, 4.07, 2, 160},
	CorridorNLoS:   {2.77, 29.27, 2.48, 7.63, 4, 94},
	IndustrialLoS:  {2.31, 24.52, 2.06, 2.69, 2, 101},
	IndustrialNLoS: {3.79, 21.01, 1.34, 9.05, 5, 108},
}

// Budget is the sum of gains and losses between a gauge and its radio.
type Budget struct {
	Class       Class
	Place       Place
	Metres      float64 // 0.1 to 1000
	Walls       float64 // dB, the sum of what stands between
	Shadow      float64 // dB more than the median; a place's spread is Sigma
	Gains       float64 // dBi, both antennas
	Sensitivity float64 // dBm; 0 means RequiredSensitivity
}

// Validate says what is wrong with b, if anything.
func (b Budget) Validate() error {
	var errs []error
	check := func(ok bool, format string, args ...any) {
		if !ok {
			errs = append(errs, fmt.Errorf("radio: "+format, args...))
		}
	}
	within := func(v, lo, hi float64) bool { return v >= lo && v <= hi } // false for NaN
	check(b.Class >= Class1 && b.Class <= Class3, "power class %d: must be 1, 2 or 3", b.Class)
	check(int(b.Place) < len(placeNames), "%v is not known", b.Place)
	check(within(b.Metres, 0.1, 1000), "%v m apart: must be 0.1 to 1000", b.Metres)
	check(within(b.Walls, 0, 200), "walls of %v dB: must be 0 to 200", b.Walls)
	check(within(b.Shadow, -60, 60), "shadow of %v dB: must be -60 to 60", b.Shadow)
	check(within(b.Gains, -40, 40), "antenna gains of %v dBi: must be -40 to 40", b.Gains)
	check(within(b.Sensitivity, -120, 0), "sensitivity of %v dBm: must be -120 to 0", b.Sensitivity)
	return errors.Join(errs...)
}

// Received is the median signal in dBm: power + gains - path - walls - shadow.
func (b Budget) Received() float64 {
	loss := FreeSpace(b.Metres, Megahertz)
	if k, ok := PlaceCoefficients(b.Place); ok {
		loss = k.Loss(b.Metres, Megahertz)
	}
	return quantise(b.Class.DBm() + b.Gains - loss - b.Walls - b.Shadow)
}

// Margin is the fade margin in dB: the signal over the sensitivity.
func (b Budget) Margin() float64 {
	s := b.Sensitivity
	if s == 0 {
		s = RequiredSensitivity
	}
	return quantise(b.Received() - s)
}

// BitErrorRate is the share of bits received wrong at a margin in dB over the
// sensitivity. Model: non-coherent detection of frequency shift keying,
//
//	Pb = ½·exp(-Eb/2N0)
//
// (Proakis, Digital Communications; from memory), tied to the definition of
// the sensitivity, Pb = 0.1 % at margin 0, which makes it
//
//	Pb = ½·0.002^(10^(margin/10))
func BitErrorRate(margin float64) float64 {
	return 0.5 * math.Exp(math.Log(0.002)*math.Pow(10, margin/10))
}

// FrameErrorRate is the chance that any of n bits is wrong, bit errors being
// independent: 1 - (1-Pb)^n.
func FrameErrorRate(margin float64, bits int) float64 {
	return quantise(-math.Expm1(float64(bits) * math.Log1p(-BitErrorRate(margin))))
}

// Doppler is the largest frequency shift in Hz at a speed in metres a second:
// v·f/c. A hand moves a gauge at 0.1 to 1 m/s, 1 to 8 Hz.
func Doppler(speed, megahertz float64) float64 { return speed * megahertz * 1e6 / 299_792_458 }

// Fades are the statistics of a Rayleigh-fading signal against a threshold
// margin dB below its mean power, at a Doppler frequency (Clarke's model;
// Rappaport, Wireless Communications, 2nd ed., eqs 5.80 and 5.84, numbers from
// memory), with ρ² = 10^(-margin/10):
//
//	share below  = 1 - exp(-ρ²)
//	crossings    = √(2π)·fd·ρ·exp(-ρ²)      a second
//	mean fade    = (exp(ρ²)-1) ÷ (ρ·fd·√(2π))
func Fades(margin, doppler float64) (share, crossings float64, mean time.Duration) {
	rho2 := math.Pow(10, -margin/10)
	rho := math.Sqrt(rho2)
	share = -math.Expm1(-rho2)
	crossings = math.Sqrt(2*math.Pi) * doppler * rho * math.Exp(-rho2)
	secs := math.Min(share/crossings, 1e6) // 11 days stands for ever
	return quantise(share), quantise(crossings), time.Duration(math.Round(secs * 1e9))
}

// dh1 is a one-slot packet: at most 27 bytes of payload (Core Vol 2 Part B,
// 6.5.4), at most 366 bits on the air (from memory).
const (
	dh1Bytes = 27
	dh1Bits  = 366
)

// Config is a link that behaves as the budget says, for a gauge moved at a
// speed in metres a second. While the signal is over the sensitivity a packet
// fails by FrameErrorRate at the margin; in a Rayleigh fade below it every
// packet fails; fades are long or short as the speed says. Frequency hopping,
// which would shorten them, is left out, and so is power control: a gauge always sends
// at its class's power. A speed of 0 has no fades.
//
// Back-off times are common practice, no source.
func (b Budget) Config(speed float64) (Config, error) {
	if err := b.Validate(); err != nil {
		return Config{}, err
	}
	if !(speed >= 0 && speed <= 100) {
		return Config{}, fmt.Errorf("radio: speed of %v m/s: must be 0 to 100", speed)
	}
	cfg := Config{
		Attempt: 2 * Slot,
		Air:     Slot,
		Payload: dh1Bytes,
		Rejoin:  Rejoin{First: time.Second, Max: 30 * time.Second, Try: 2560 * time.Millisecond, Jitter: 20},
	}
	margin := b.Margin()
	cfg.Bursts.LossGood = FrameErrorRate(margin, dh1Bits)
	cfg.Bursts.LossBad = 1
	if speed == 0 {
		return cfg, nil
	}
	share, _, mean := Fades(margin, Doppler(speed, Megahertz))
	cfg.Bursts.Worsen, cfg.Bursts.Recover = burstsOf(share, float64(mean)/float64(cfg.Attempt))
	return cfg, nil
}

// burstsOf gives the chances of a channel that is bad a share of the time, in
// runs of a mean length in attempts. A run lasts at least one attempt.
func burstsOf(share, mean float64) (worsen, better float64) {
	if share <= 0 {
		return 0, 1
	}
	if share >= 1 {
		return 1, 0
	}
	better = 1 / math.Max(mean, 1)
	worsen = better * share / (1 - share)
	if worsen > 1 {
		worsen, better = 1, (1-share)/share
	}
	return quantise(worsen), quantise(better)
}
