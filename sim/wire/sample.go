package wire

import (
	"fmt"

	"example.org/understudy/sim/decimal"
)

// Sample fills a record with plausible values for a frame and writes it, for
// showing what a dialect looks like.
func (d *Dialect) Sample(f Frame) (*Record, []byte, error) {
	if f < 0 || int(f) >= len(d.frames) {
		return nil, nil, fmt.Errorf("dialect %s has no frame %d", d.name, int(f))
	}
	rec := d.NewRecord()
	for _, k := range d.remembers {
		rec.Set(k.term, 0, Int(k.Start))
	}
	groups := 1
	eachNode(d.frames[f].nodes, func(n *node) {
		if g, ok := n.field.(*each); ok {
			groups = max(g.count, 2)
		}
	})
	rec.Channels(groups)
	s := sampler{d: d, rec: rec, groups: groups}
	s.fields(d.frames[f].nodes)
	for _, fr := range d.frames {
		for _, t := range fr.counts {
			rec.Set(t, 0, Int(int64(groups)))
		}
	}
	raw, err := d.AppendFrame(nil, f, d.addressed(rec))
	return rec, raw, err
}

// Samples is a record with plausible values for all that the gauge sends.
func (d *Dialect) Samples() *Record {
	rec := d.NewRecord()
	rec.Channels(2)
	s := sampler{d: d, rec: rec, groups: 2}
	for i := range d.frames[:d.gaugeFrames] {
		s.fields(d.frames[i].nodes)
	}
	rec.Set(d.Term(Channels), 0, Int(2))
	return rec
}

type sampler struct {
	d      *Dialect
	rec    *Record
	groups int
}

var sampleTexts = map[string]string{Name: "bore-1", Serial: "0017", Firmware: "1.0", SettingName: "lower", SettingTo: "7.985",
	Error: "refused", Unit: "mm", Zone: "inside", Function: "live", Link: "up", Sense: "rising", ErrorText: "No error"}

var sampleNumbers = map[string]int64{Tag: 42, Seq: 17, Cell: 62, "first": 0, "count": 2}

func (s *sampler) fields(nodes []node) {
	eachNode(nodes, func(n *node) {
		switch f := n.field.(type) {
		case *word:
			for i := range f.parts {
				s.setAll(f.parts[i].term, f.parts[i].sample())
			}
		case *registers:
			if len(f.table.lines) > 0 {
				l := &f.table.lines[0]
				s.rec.Set(f.first, 0, Int(int64(l.at)))
				s.rec.Set(f.num, 0, Int(int64(l.n)))
				s.fields(l.field)
			}
		case *valued:
			_, choice := f.form.(*choices)
			if f.derive != nil || n.term == s.d.station.term || s.rec.Get(n.term, 0).Kind != Absent && !choice {
				return
			}
			for ch := range s.groups {
				if v, ok := f.sample(s.d.terms[n.term], ch); ok {
					s.rec.Set(n.term, ch, v)
				}
			}
		}
	})
}

func (s *sampler) setAll(t Term, v Value) {
	for ch := range s.groups {
		s.rec.Set(t, ch, v)
	}
}

func (p *bitPart) sample() Value {
	switch {
	case p.kind == Flag:
		return Bool(false)
	case p.choices != nil:
		return p.choices.sample(p.name)
	}
	for _, v := range sampleValues(p.name, 0) {
		if _, why := p.number.bitsOf(v.Num, p.width); why == "" {
			return v
		}
	}
	return Int(0)
}

func sampleValues(term string, ch int) (list []Value) {
	if n, ok := sampleNumbers[term]; ok {
		list = append(list, Int(n))
	}
	if term == Channel {
		list = append(list, Int(int64(ch+1)))
	}
	return append(list, Num(decimal.New(8015, -3)), Int(42), Int(1), Int(0))
}

// sample finds a value the field can carry.
func (v *valued) sample(term string, ch int) (Value, bool) {
	if f, ok := v.form.(*choices); ok {
		return f.sample(term), true
	}
	tries := sampleValues(term, ch)
	if f, ok := v.form.(*number); ok && f.span != nil {
		tries = append(tries, Num(f.span[0]))
	}
	if text := sampleTexts[term]; text != "" {
		tries = append([]Value{Str(text)}, tries...)
	}
	for _, t := range append(tries, Str("abc"), Str("a"), Str("")) {
		if _, text := v.form.(interface{ text() }); text != (t.Kind == Text) {
			continue
		}
		if _, why := v.put(nil, &t); why == "" {
			return t, true
		}
	}
	return Value{}, false
}

func (*textForm) text() {}

func (f *choices) sample(term string) Value {
	for _, c := range f.list {
		if c.val.Kind == Text && c.val.Text == sampleTexts[term] || c.val.Kind == Flag && !c.val.True() {
			return c.val
		}
	}
	return f.list[0].val
}
