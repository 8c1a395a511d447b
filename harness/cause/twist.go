package cause

// Twists are mistakes of the model host that have no page in the catalogue: what they
// do is said in a sentence.
const (
	toldOnce defect = defectCount + iota // param: the event
	lowKept
	lowShared
	lowToldAgain
	lowOfTags
	lossToldAgain
	eventsOfOne // param: 0 the first gauge, 1 the last
	twistCount
)

// Twist is what a host may do, and how it is said.
type Twist struct {
	Made Hypothesis
	Text string
}

// Twists lists those that a host of these gauges can make, the plainer first.
func (s *Spec) Twists() (out []Twist) {
	add := func(text string, made ...Variant) { out = append(out, Twist{made, text}) }
	for e := LowCellEvent; e <= LinkBackEvent; e++ {
		add(e.String()+" is recorded the first time only", Variant{toldOnce, int(e)})
	}
	add("low-cell is recorded again after the port came back, though the cell has been low all the time", Variant{lowToldAgain, 0})
	add("whether the cell is low is looked at in tagged frames only", Variant{lowOfTags, 0})
	add("link-lost is recorded again and again while the port is away", Variant{lossToldAgain, 0})
	if len(s.Gauges) < 2 {
		return out
	}
	add("all gauges share one state of the cell", Variant{lowShared, 0})
	add("low-cell is recorded once for all gauges, and never again", Variant{lowShared, 0}, Variant{lowKept, 0})
	add("events stand under the name of "+s.Gauges[len(s.Gauges)-1].Name+", whichever gauge's they are", Variant{eventsOfOne, 1})
	add("events stand under the name of "+s.Gauges[0].Name+", whichever gauge's they are", Variant{eventsOfOne, 0})
	return out
}
