package power

import (
	"example.org/understudy/sim/enum"
)

// Chemistry is the kind of cell.
type Chemistry = enum.Of[chemistry]

// Chemistries.
const (
	LiIon    Chemistry = iota // rechargeable lithium-ion, one cell 4.2 V full
	NiMH                      // rechargeable nickel-metal hydride, 1.2 V nominal
	Alkaline                  // primary alkaline manganese, 1.5 V nominal
)

type chemistry struct{}

func (chemistry) Names() []string { return chemistryNames }
func (chemistry) What() string    { return "a cell chemistry" }

var chemistryNames = []string{"li-ion", "nimh", "alkaline"}

// point is one place on a cell's curve. Between points both columns are
// straight lines.
type point struct {
	ppm   int64 // charge left, millionths of the capacity
	uv    int64 // rested voltage of one cell, microvolts
	resis int64 // internal resistance, thousandths of its value when full
}

type traits struct {
	curve        []point
	milliohm     int64 // of one full cell at 20 °C, where the cell names none
	leak         int64 // self-discharge at 20 °C, millionths of the capacity in 30 days
	efficiency   int64 // of charging, millionths; 0: cannot be charged
	held         int64 // voltage that a charger holds at most, µV; 0: none
	low, clear   int64 // usual thresholds of one cell, millivolts
	brown, start int64
}

// Where the numbers come from:
//
// Li-ion curve: pseudo-OCV of a 21700 NMC cell (Molicel INR-21700-P42A, C/32
// at room temperature), the ten-point table of Sunil, Pattipati and
// Balasingam, "Piecewise Linear Approximation of Battery Open-Circuit Voltage
// Characteristics Using Dynamic Programming", IEEE TIM 2025 (repository
// soorajsunil/Piecewise-Battery-OCV, README).
//
// NiMH curve: common practice, no source for the points; they keep to the
// bounds of a maker's data sheet (Varta Microbattery V250H, "Definitions":
// open circuit 1.25 to 1.4 V, nominal 1.2 V, end of discharge 1.2 to 0.9 V).
// Resistance: Panasonic HHR70AAAJ data sheet, about 30 mΩ at 1 kHz, charged.
//
// Alkaline curve: common practice, no source; near 1.6 V fresh, 0.8 V dead,
// close to a straight line between.
//
// Self-discharge, charging efficiency, the voltage a charger holds, resistance
// against charge, and the thresholds: common practice, no source.
var chemistries = [...]traits{
	LiIon: {
		curve: []point{
			{0, 2_506_100, 2000}, {15_100, 2_898_100, 1600}, {45_200, 3_146_100, 1300},
			{95_500, 3_323_100, 1100}, {150_800, 3_421_800, 1000}, {291_500, 3_573_700, 1000},
			{457_300, 3_701_700, 1000}, {834_200, 4_063_700, 1000}, {949_700, 4_100_900, 1000},
			{1_000_000, 4_193_200, 1000},
		},
		milliohm: 120, leak: 20_000, efficiency: 990_000, held: 4_200_000,
		low: 3500, clear: 3600, brown: 3000, start: 3300,
	},
	NiMH: {
		curve: []point{
			{0, 1_000_000, 2000}, {30_000, 1_100_000, 1500}, {100_000, 1_190_000, 1100},
			{200_000, 1_225_000, 1000}, {500_000, 1_260_000, 1000}, {800_000, 1_295_000, 1000},
			{950_000, 1_340_000, 1000}, {1_000_000, 1_400_000, 1000},
		},
		milliohm: 30, leak: 200_000, efficiency: 800_000,
		low: 1180, clear: 1220, brown: 1000, start: 1100,
	},
	Alkaline: {
		curve: []point{
			{0, 800_000, 3000}, {50_000, 950_000, 2500}, {100_000, 1_050_000, 2200},
			{200_000, 1_130_000, 1900}, {400_000, 1_220_000, 1500}, {600_000, 1_300_000, 1300},
			{800_000, 1_390_000, 1100}, {950_000, 1_500_000, 1000}, {1_000_000, 1_600_000, 1000},
		},
		milliohm: 200, leak: 2_500,
		low: 1150, clear: 1200, brown: 900, start: 1000,
	},
}
