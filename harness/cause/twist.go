package cause

import "fmt"

// Twists are mistakes of the model host that have no page in the catalogue: what they
// do is said in a sentence.
const (
	toldOnce defect = defectCount + iota // param: the event
	lowKept
	lowShared
	lowToldAgain
	lowOfTags
	tagsStreamed // param: 0 the row without a number comes first, 1 it comes after
	ownNumbers   // param: the first
	lowBothWays
	linkTurned // link-lost and link-back are exchanged
	lossToldAgain
	eventsOfOne // param: 0 the first gauge, 1 the last
	lossOfLast
	lossOfAll
	windowOfFirst
	firstChannelTells
	askedOnce
	lastNumberOnly
	numberAlone
	lengthTrusted // param: the longest that is held possible
	channelDigit  // param: the first digit of its number alone is read, or the last
	lossAtReturn
	channelsTurned // param: by so many; by all: the other way round
	twistCount
)

// Damaged says that frames are recorded that arrived damaged, where no check shows it.
const Damaged = "frames that arrived damaged are recorded as far as they can be read"

// Twist is what a host may do, and how it is said.
type Twist struct {
	Made  Hypothesis
	Text  string
	Of    Effect // the findings it makes
	Trips bool   // a host that makes another mistake would hardly leave its findings alone
	Harm  bool   // it shows only where frames arrived damaged
}

// Twists lists those that a host of these gauges can make, the plainer first.
func (s *Spec) Twists() (out []Twist) {
	add := func(text string, made ...Variant) { out = append(out, Twist{Made: made, Text: text, Of: OnEvent}) }
	tags := func(text string, made defect, of Effect, trips bool) {
		out = append(out, Twist{Hypothesis{{made, 0}}, text, of, trips, false})
	}
	tags("the window in which a tag that is sent again is one tag counts from when it was first seen, not last", windowOfFirst, OnMore, false)
	tags("only the tag number that came last is remembered: one that is sent again after another number is recorded again", lastNumberOnly, OnMore, false)
	tags("a tag number that comes again within the window is no new tag, whatever its reading", numberAlone, OnLoss, false)
	for n := range 2 {
		out = append(out, Twist{Hypothesis{{ownNumbers, 1 - n}}, fmt.Sprintf("tags are numbered by the host itself, from %d on, whatever number they come with", 1-n), OnTag, true, false})
		if s.All {
			out = append(out, Twist{Hypothesis{{tagsStreamed, n}}, "each tagged reading is recorded once more without its number, as a streamed one", OnMore, true, false})
		}
	}
	for _, longest := range []int{300, 128, 64, 32, 16} {
		out = append(out, Twist{Hypothesis{{lengthTrusted, longest}}, "after a damaged frame as many bytes are skipped as it says that it is long, with the frames that stand in them", OnLoss, true, true})
	}
	out = append(out, Twist{Hypothesis{{checksumIgnored, 0}}, Damaged, OnMore | OnValue | OnTag | OnZone, false, true})
	if s.Width() > 9 {
		for last, text := range []string{"of a channel's number the first digit alone is read", "of a channel's number the last digit alone is read"} {
			out = append(out, Twist{Hypothesis{{channelDigit, last}}, text, onSource, true, false})
		}
	}
	if n := s.Width(); n > 2 {
		turned := func(by int, text string) {
			out = append(out, Twist{Hypothesis{{channelsTurned, by}}, text, onSource, true, false})
		}
		turned(1, "each channel's readings stand under the channel after it")
		turned(n-1, "each channel's readings stand under the channel before it")
		turned(n, "the channels stand in the reverse order")
	}
	if s.Width() > 1 {
		tags("whether a tag is one that came before is told by the reading of the first channel alone", firstChannelTells, OnLoss, true)
	}
	add("low-cell is recorded again after the port came back, though the cell has been low all the time", Variant{lowToldAgain, 0})
	add("whether the cell is low is looked at in tagged frames only", Variant{lowOfTags, 0})
	add("low-cell is recorded when the cell is good again, too", Variant{lowBothWays, 0})
	add("link-lost and link-back are exchanged", Variant{linkTurned, 0})
	for e := LowCellEvent; e <= LinkBackEvent; e++ {
		add(e.String()+" is recorded the first time only", Variant{toldOnce, int(e)})
	}
	add("link-lost is recorded only when the port is open again", Variant{lossAtReturn, 0})
	add("link-lost is recorded again and again while the port is away", Variant{lossToldAgain, 0})
	if len(s.Gauges) < 2 {
		return out
	}
	tags("which gauge is at a port is found out when the port comes back the first time, and not again", askedOnce, onSource, true)
	add("all gauges share one state of the cell", Variant{lowShared, 0})
	add("low-cell is recorded once for all gauges, and never again", Variant{lowShared, 0}, Variant{lowKept, 0})
	add("when one gauge is lost, link-lost is recorded for all", Variant{lossOfAll, 0})
	add("link-lost stands under the name of "+s.Gauges[len(s.Gauges)-1].Name+", whichever gauge's it is", Variant{lossOfLast, 0})
	add("events stand under the name of "+s.Gauges[len(s.Gauges)-1].Name+", whichever gauge's they are", Variant{eventsOfOne, 1})
	add("events stand under the name of "+s.Gauges[0].Name+", whichever gauge's they are", Variant{eventsOfOne, 0})
	return out
}
