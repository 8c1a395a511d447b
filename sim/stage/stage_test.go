package stage_test

import (
	"context"
	"testing"
	"time"

	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/gauge"
	"example.org/understudy/sim/link"
	"example.org/understudy/sim/motion/noise"
	"example.org/understudy/sim/power"
	"example.org/understudy/sim/probe"
	"example.org/understudy/sim/quantity"
	"example.org/understudy/sim/stage"
	"example.org/understudy/sim/zone"
	"github.com/stretchr/testify/require"
)

const um = decimal.Micrometre

// plain is a gauge with nothing wrong with it, streaming at 30 Hz.
func plain(name string) stage.Member {
	return stage.Member{
		Profile: &gauge.Profile{
			Name: name, Common: gauge.Common{Rate: quantity.Rate{Hz: decimal.New(30, 0)}, Streaming: true}, Tags: gauge.Tags{First: 1, Last: 9999},
			Channels: []gauge.Channel{{Name: "A", Stroke: 10 * decimal.Millimetre, Settings: gauge.Settings{
				Factor: decimal.New(1, 0), Unit: decimal.MM, Resolution: decimal.New(1, -3), Preset: 8 * decimal.Millimetre,
				Limits: zone.Limits{Lower: zone.At(7985 * um), Upper: zone.At(8015 * um)},
			}}},
		},
		Channels: []stage.Fitting{{MidStroke: 8 * decimal.Millimetre, Starts: 8 * decimal.Millimetre, Temp: 20}},
	}
}

// full is a gauge with every model on.
func full(t testing.TB, name string) stage.Member {
	m := plain(name)
	model, err := probe.New(probe.Spec{Centre: 8 * decimal.Millimetre, Stroke: 10 * decimal.Millimetre, Offset: um, GainError: 1e-4, Tilt: 1,
		Play: um / 2, Repeat: um / 3, Slip: um, Lag: 10 * time.Millisecond, Average: 4, Part: probe.Growth{Length: 8 * decimal.Millimetre, PerKelvin: probe.Steel}})
	require.NoError(t, err)
	m.Channels[0].Probe, m.Channels[0].Temp = model, 23
	m.Channels[0].Noise = noise.Spec{White: um / 2, Flicker: um / 5, Walk: um / 100, Drift: um, Hum: noise.Hum{Amplitude: um / 10, Frequency: 50}}
	m.Cell, err = power.New(power.Config{Capacity: 850, Charge: 100})
	require.NoError(t, err)
	m.Parts, m.Temp, m.Class = power.TypicalParts(), 20, link.Class2
	cfg, err := link.Budget{Class: link.Class2, Place: link.IndustrialLoS, Metres: 8}.Config(0.5)
	require.NoError(t, err)
	m.Link, err = link.New(cfg)
	require.NoError(t, err)
	return m
}

func run(t testing.TB, until time.Duration, cast ...stage.Member) *stage.Stage {
	s, err := stage.New(stage.Play{Seed: 41, Cast: cast, Until: until}, stage.Options{})
	require.NoError(t, err)
	require.NoError(t, s.Run(context.Background()))
	require.NoError(t, s.Finish("the end"))
	return s
}

func benchmark(b *testing.B, cast func() []stage.Member, until time.Duration) {
	b.ReportAllocs()
	n := int64(0)
	for b.Loop() {
		n += run(b, until, cast()...).Readings()
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "readings/s")
}

// A plain gauge without a port.
func BenchmarkPlain(b *testing.B) {
	benchmark(b, func() []stage.Member { return []stage.Member{plain("a")} }, time.Hour)
}

// A gauge with every model on.
func BenchmarkEveryModel(b *testing.B) {
	benchmark(b, func() []stage.Member { return []stage.Member{full(b, "a")} }, time.Hour)
}

// An eight-hour shift of seven gauges at 30 readings a second, every model on.
func BenchmarkShift(b *testing.B) {
	benchmark(b, func() []stage.Member {
		var cast []stage.Member
		for _, n := range []string{"a", "b", "c", "d", "e", "f", "g"} {
			cast = append(cast, full(b, n))
		}
		return cast
	}, 8*time.Hour)
}
