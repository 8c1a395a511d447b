package strict

import (
	"errors"
	"fmt"
	"slices"
	"sort"
)

// Err returns all mistakes so far as Errors, sorted by place, or nil. A word that
// is a boolean to some is one where nothing else is wrong with it.
func (d *Doc) Err() error {
	for _, e := range d.misread {
		if !slices.ContainsFunc(d.errs, func(o Error) bool { return o.Pos == e.Pos }) {
			d.add(e.Pos, e.Want, "%s", e.Msg)
		}
	}
	d.misread = nil
	if len(d.errs) == 0 {
		return nil
	}
	sort.SliceStable(d.errs, func(i, j int) bool {
		a, b := d.errs[i], d.errs[j]
		if a.Line != b.Line {
			return a.Line < b.Line
		}
		return a.Column < b.Column
	})
	if more := d.found - len(d.errs); more > 0 {
		return append(slices.Clip(d.errs), Error{Pos: Pos{File: d.File}, Msg: fmt.Sprintf("%d more mistakes are not listed", more)})
	}
	return d.errs
}

// Errorf adds a mistake at the value decoded into *ptr; want says what would
// be right, and may be empty.
func (d *Doc) Errorf(ptr any, want, format string, args ...any) {
	d.add(d.At(ptr), want, format, args...)
}

func (d *Doc) add(p Pos, want, format string, args ...any) {
	if d.found++; len(d.errs) >= maxListed {
		return
	}
	if p.File == "" {
		p.File = d.File
	}
	for i, a := range args {
		if text, ok := a.(string); ok {
			args[i] = Short(text)
		}
	}
	d.errs = append(d.errs, Error{Pos: p, Msg: fmt.Sprintf(format, args...), Want: want})
}

// objects adds what a type has against a value of the file.
func (d *Doc) objects(n Any, want string, err error) {
	if len(n.Scalar) > maxQuoted {
		err = errors.New(Short(err.Error())) // it may quote the whole value
	}
	d.add(n.Pos, want, "%v", err)
}
