package wire

import (
	"example.org/understudy/sim/decimal"
)

// A frame is a list of ops over the body that the framing carries. The same
// list encodes and decodes.
type opKind uint8

const (
	opLiteral opKind = iota
	opDecimal
	opHex
	opInt
	opFloat
	opBCD
	opText
	opChoice
	opFlags
	opTime
	opEach
	opWhen
	opCheck
	opLength
	opSkip
	opSpace
	opBlock
	opHeader
	opMap
)

type signStyle uint8

const (
	signMinus  signStyle = iota // text: a minus sign when negative
	signAlways                  // text: plus or minus
	signSpace                   // text: a space or minus
	signNone                    // no negative values
	signTwos                    // binary: two's complement
	signMag                     // binary: the top bit is the sign
	signFirst                   // bcd: the first digit's place
	signLast                    // bcd: the last digit's place
)

const (
	maxMarks   = 16 // ranges one frame may name
	maxPending = 8  // checks and lengths in one group
	maxDigits  = 40 // characters of one number
)

type op struct {
	kind opKind
	name string
	spec *fieldSpec // where it stands in the file; nil for ops made by the compiler
	term Term       // −1: carries nothing

	width   int // bytes, when fixed
	longest int // most bytes, when not
	lit     []byte
	konst   Value // of a literal that stands for a constant

	decimals int // −1: as many as the value has
	sign     signStyle
	pad      byte
	left     bool
	mark     byte // 0: none
	exponent uint8
	lower    bool
	anyCase  bool
	quoted   bool
	numbers  bool

	order     byteOrder
	scale     decimal.Decimal
	scaleExp  int
	scaleTen  bool // scale is 10^scaleExp
	offset    decimal.Decimal
	hasOffset bool
	round     decimal.Rounding
	mayRound  bool
	hasRange  bool
	bounded   bool // there is a range, an exception or a wrap to look at
	least     decimal.Decimal
	most      decimal.Decimal
	wraps     int64
	except    []int64
	digits    int

	specials []special
	choices  []choice
	other    int  // index of the choice for unlisted values; −1 none
	yesNo    bool // a flag; noAt is the index of no
	noAt     int
	byText   *textIndex // of the choices' values
	byByte   *[256]int8 // the choice for each byte, when all are one byte; −1 none
	byFew    []uint32   // what is sent for each, when all are two to four bytes
	byLit    *textIndex // of what is sent for them, when all have one width
	bits     []bitOp
	bitMask  uint64 // bits that are constant
	bitValue uint64
	layout   []timePart
	words    []string // accepted spellings of a header, capitals; the first is sent

	sub, alt []op
	between  []byte
	smallest int  // least bytes of one group
	countN   int  // fixed count of groups; 0: see the rest
	countBy  Term // −1: none
	rest     bool // up to the end
	cond     *condition
	derive   *expression

	check    *checker
	atOnce   bool // the check covers all before it in its group and no length follows later
	form     uint8
	from, to int8 // marks; −1 is the start of the group, or the check itself
	fromByte int  // byte range, when not −1
	toByte   int
	plus     int
	per      int
	target   int8 // mark of what a length counts; −1 is the rest

	marked             bool   // a range begins or ends at the op
	inner              []int8 // marks inside the parts of a condition
	zeros              bool   // a number of fixed decimals padded with zeros, 18 digits at most
	fastInt            bool   // a plain number in big or little order
	markStart, markEnd int8   // slots where the op's place is noted; −1 none
	sized              bool   // a length op says how long this op is

	table      *regMap
	first, num Term
	stop       *byteSet // what ends a text
}

const (
	formBinary uint8 = iota
	formHex
	formDecimal
)

// special is what stands in a number's place when there is no number.
type special struct {
	token  []byte
	reason string // void reason; "" when the value is simply absent
	void   bool
}

type choice struct {
	val   Value
	lit   []byte
	alias bool // sent, but never read
}

type bitOp struct {
	shift, width uint8
	term         Term
	name         string
	kind         opKind // opFlags for one flag, opInt, opChoice, opLiteral for a constant
	choices      []bitChoice
	byText       *textIndex
	byNumber     []int8 // of a few bits: the choice for each number, −1 none
	other        int
}

type bitChoice struct {
	val Value
	n   uint64
}

type timePart struct {
	lit  byte // 0: a number
	unit byte // h, m, s, f
	n    int  // digits
}

// textIndex finds a text among a few by its length and two of its bytes.
type textIndex struct {
	mul   byte
	slots [64]int8
}

func newTextIndex(texts []string) *textIndex {
	x := &textIndex{}
	for x.mul = 1; x.mul < 64; x.mul++ {
		for i := range x.slots {
			x.slots[i] = -1
		}
		fits := len(texts) < 64
		for i, s := range texts {
			if !fits || s == "" {
				fits = false
				break
			}
			h := x.slot(len(s), s[0], s[len(s)-1])
			fits = x.slots[h] < 0
			x.slots[h] = int8(i)
		}
		if fits {
			return x
		}
	}
	return nil
}

func (x *textIndex) slot(n int, first, last byte) byte {
	return (byte(n) + first*x.mul + last) & 63
}

// byteSet is a set of byte values.
type byteSet [4]uint64

func (s *byteSet) add(b byte)      { s[b>>6] |= 1 << (b & 63) }
func (s *byteSet) has(b byte) bool { return s[b>>6]>>(b&63)&1 != 0 }
func (s *byteSet) addAll(p []byte) {
	for _, b := range p {
		s.add(b)
	}
}

func (s *byteSet) union(t byteSet) {
	for i := range s {
		s[i] |= t[i]
	}
}

func (s byteSet) meets(t byteSet) bool {
	return s[0]&t[0]|s[1]&t[1]|s[2]&t[2]|s[3]&t[3] != 0
}

func (s byteSet) empty() bool { return s == byteSet{} }

func (s byteSet) lowest() byte {
	for i := range 256 {
		if s.has(byte(i)) {
			return byte(i)
		}
	}
	return 0
}

func anyByte() byteSet { return byteSet{^uint64(0), ^uint64(0), ^uint64(0), ^uint64(0)} }

func byteRange(lo, hi byte) (s byteSet) {
	for b := int(lo); b <= int(hi); b++ {
		s.add(byte(b))
	}
	return s
}
