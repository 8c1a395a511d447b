package cause

// Effect is a set of ways in which records can differ from the right ones.
type Effect uint16

// Ways to differ.
const (
	OnValue   Effect = 1 << iota // another number, or a number for none
	OnUnit                       // another unit word
	OnZone                       // another zone
	OnTag                        // another tag number
	OnLoss                       // a row is missing
	OnMore                       // a row too many
	OnPlace                      // a row in another place
	OnEvent                      // an event is missing, or one too many
	OnDelay                      // an event comes late
	OnSetting                    // what the host writes to the gauge
	OnLine                       // what it does at the serial line
	OnTime                       // its time stamps
)

const (
	onNumber = OnValue | OnZone | OnLoss | OnMore | OnPlace // a row with another number may pass for another row
	onSource = onNumber | OnTag
)

// Effects are the ways in which the mistake makes the records differ. A finding of
// another kind is never put down to it, whatever else would fit.
func (v Variant) Effects() Effect {
	switch d := v.defect; d {
	case unitLabel:
		return OnUnit
	case channelsSwapped, channelsAsFirst, channelFirstOnly, streamAsTag, tagNumberOff, tagUnrecorded, tagsOutOfOrder:
		return onSource
	case gaugesSwapped, gaugesByPort:
		return onSource | OnEvent
	case functionIgnored:
		return OnSetting
	case tagRepeated, streamsRecorded, rowDoubled:
		return OnMore
	case staleAfterRejoin, tagValueStreamed, voidAsZero, voidAsLast, voidInside:
		return OnValue | OnZone
	case checksumIgnored:
		return onSource &^ OnLoss
	case splitFrameLost:
		return OnLoss | OnEvent
	case eventsLate:
		return OnDelay | OnEvent
	case linkLossMissed, linkBackMissed, lowCellMissed, lowCellRepeated:
		return OnEvent
	case lastRowLost, recordsNothing, rowsBuffered, startsOver:
		return OnLoss | OnEvent
	case timesBackwards, timeZone, daylightJump:
		return OnTime
	case settingsNotWritten, writesReversed, settingLate, settingWrongUnit:
		return OnSetting
	case firstTagMissed, tagLostAtRejoin, tagWrapDropped, tagWindowEndless, tagMerged, tagDroppedBurst, streamsUnrecorded, voidDropped:
		return OnLoss
	case neverReopens, wrongBaud, wrongParity, readsTooSlowly, controlLinesIdle, sendsBreaks, stallsReading, quits:
		return OnLine
	default:
		if d <= notRounded {
			return onNumber
		}
		return OnZone
	}
}

// Chancy reports whether the mistake leaves open which of some rows it concerns.
func (v Variant) Chancy() bool {
	switch v.defect {
	case rowDoubled, splitFrameLost, tagsOutOfOrder:
		return true
	}
	return v.defect == tagDroppedBurst && v.param == 0
}

// Whole reports whether the mistake concerns all of the rows that it lets be missing: a
// host that keeps one of them does not make it, unless what came in parts waited until all
// of it was there, as it may where time does not wait for the host.
func (v Variant) Whole() bool { return v.defect == splitFrameLost }

// Same reports whether two hosts surely write the same: rows that differ in
// nothing, none of them left to chance.
func (r *Rows) Same(o *Rows) bool {
	if r.Chances != (Chances{}) || o.Chances != (Chances{}) || r.Reopens != o.Reopens || len(r.Readings) != len(o.Readings) {
		return false
	}
	for s := range r.Readings {
		if !sameWants(r.Readings[s], o.Readings[s]) {
			return false
		}
	}
	for g := range r.Events {
		if !sameWants(r.Events[g], o.Events[g]) || r.Lines[g] != o.Lines[g] || len(r.Requests[g]) != len(o.Requests[g]) {
			return false
		}
		for k := range r.Requests[g] {
			if r.Requests[g][k] != o.Requests[g][k] {
				return false
			}
		}
	}
	return true
}

func sameWants(a, b []Want) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		v, w := a[i], b[i]
		equal := v.Void && w.Void || v.Value.Equal(w.Value)
		v.Value = w.Value
		if !equal || v != w || v.Changed != 0 || v.Loss != 0 && v.Loss != Must {
			return false
		}
	}
	return true
}
