package scenario

import (
	"example.org/understudy/sim/decimal"
	"example.org/understudy/sim/quantity"
)

// GuardBand is how far a specification limit moves inwards, as a share of the expanded
// uncertainty.
type GuardBand struct {
	Text  string
	Share decimal.Decimal
}

// editions are the shares by edition, from memory. For 95 % of one side a normal
// distribution needs 1.645 standard uncertainties, half of which is the share of U.
var editions = map[string]string{"ISO 14253-1:1998": "1", "ISO 14253-1:2013": "1", "ISO 14253-1:2017": "0.8225"}

// UnmarshalText reads an edition or a share.
func (g *GuardBand) UnmarshalText(b []byte) error {
	if share, ok := editions[string(b)]; ok {
		*g = GuardBand{string(b), decimal.MustParse(share)}
		return nil
	}
	var p quantity.Percent
	if err := p.UnmarshalText(b); err != nil {
		return err
	}
	*g = GuardBand{p.String(), p.Value.Mul(decimal.New(1, -2))}
	return nil
}

// MarshalText writes it.
func (g GuardBand) MarshalText() ([]byte, error) { return []byte(g.Text), nil }

func (g GuardBand) String() string { return g.Text }

// Pattern describes the text for the JSON Schema.
func (GuardBand) Pattern() (string, string) {
	p, _ := quantity.Percent{}.Pattern()
	return "^ISO 14253-1:(1998|2013|2017)$|" + p, "ISO 14253-1:2017"
}

// Of is the width of the band for an expanded uncertainty.
func (g GuardBand) Of(u decimal.Length) decimal.Length {
	w, _ := decimal.New(int64(u), 0).Mul(g.Share).Quantize(0, decimal.HalfEven).Int64()
	return decimal.Length(w)
}
