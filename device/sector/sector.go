// Package sector has the words in which every other package speaks of places
// on a disc: the address of a sector, a range of sectors and a set of sectors.
//
// A sector is 2048 bytes of user data (ECMA-267 clause 16 [memory], ECMA-119
// clause 6.1.2). It is addressed by its logical block address, LBA, which
// counts from 0 at the start of the data zone.
package sector

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// Size is the user data of one sector, in bytes.
const Size = 2048

// LBA is the address of a sector: its number, counted from 0. Addresses stay
// below 2^51, so that none of the sums and byte offsets here leaves an int64.
type LBA int64

// Offset is the place of the sector's first byte in an image, in bytes.
func (a LBA) Offset() int64 { return int64(a) * Size }

// Range is the sectors from First up to and not including End. A range whose
// End is not above its First is empty.
type Range struct{ First, End LBA }

// Span is the range of n sectors from first on; empty where n is not above 0.
func Span(first LBA, n int64) Range { return Range{first, first + LBA(n)} }

// Count is the number of sectors in r.
func (r Range) Count() int64 { return max(0, int64(r.End-r.First)) }

// Bytes is the user data of r in bytes.
func (r Range) Bytes() int64 { return r.Count() * Size }

// Empty tells whether r holds no sector.
func (r Range) Empty() bool { return r.End <= r.First }

// Contains tells whether a lies in r.
func (r Range) Contains(a LBA) bool { return r.First <= a && a < r.End }

// Covers tells whether every sector of o lies in r.
func (r Range) Covers(o Range) bool {
	return o.Empty() || r.First <= o.First && o.End <= r.End
}

// Overlaps tells whether r and o share a sector.
func (r Range) Overlaps(o Range) bool { return !r.Intersect(o).Empty() }

// Intersect is what r and o share; the zero Range where they share nothing.
func (r Range) Intersect(o Range) Range {
	both := Range{max(r.First, o.First), min(r.End, o.End)}
	if both.Empty() {
		return Range{}
	}
	return both
}

// Blocks is the smallest range of whole blocks of n sectors that holds r, which
// must not reach below sector 0: blocks are counted from there. An n below 1
// counts as 1.
func (r Range) Blocks(n int64) Range {
	if r.Empty() {
		return Range{}
	}
	b := LBA(max(1, n))
	return Range{r.First / b * b, (r.End + b - 1) / b * b}
}

// String gives the range as people read it: its first sector, a plus and the
// number of its sectors, "4096+16".
func (r Range) String() string { return fmt.Sprintf("%d+%d", r.First, r.Count()) }

// ParseRange reads one range as people write it: "first-last" (both included),
// "first+count", or the number of one sector. An error is returned when s is
// none of these or holds no sector.
func ParseRange(s string) (Range, error) {
	r, err := parse(s)
	if err == nil && r.Empty() {
		return Range{}, fmt.Errorf("range %q: it holds no sector", s)
	}
	return r, err
}

// parse is ParseRange that lets "first+0" pass.
func parse(s string) (Range, error) {
	i := strings.IndexAny(s, "-+")
	if i < 0 {
		first, err := number(s)
		if err != nil {
			return Range{}, fmt.Errorf("range %q: %w", s, err)
		}
		return Span(first, 1), nil
	}
	a, err := number(s[:i])
	if err != nil {
		return Range{}, fmt.Errorf("range %q: %w", s, err)
	}
	b, err := number(s[i+1:])
	if err != nil {
		return Range{}, fmt.Errorf("range %q: %w", s, err)
	}
	if s[i] == '+' {
		return Span(a, int64(b)), nil
	}
	if b < a {
		return Range{}, fmt.Errorf("range %q: it ends before it begins", s)
	}
	return Range{a, b + 1}, nil
}

// maxLBA bounds what is read from text: first + count stays within 2^51, and a
// byte offset there within an int64.
const maxLBA = 1 << 50

// number reads decimal digits and nothing else, up to maxLBA.
func number(s string) (LBA, error) {
	for _, c := range s {
		if c < '0' || c > '9' {
			return 0, fmt.Errorf("%q is not a sector number", s)
		}
	}
	if s == "" {
		return 0, errors.New("a sector number is missing")
	}
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil || n > maxLBA {
		return 0, fmt.Errorf("%q is beyond any disc", s)
	}
	return LBA(n), nil
}

// MarshalText is String, for JSON.
func (r Range) MarshalText() ([]byte, error) { return []byte(r.String()), nil }

// UnmarshalText takes what ParseRange takes, and also what MarshalText makes of
// an empty range.
func (r *Range) UnmarshalText(b []byte) error {
	p, err := parse(string(b))
	if err == nil {
		*r = p
	}
	return err
}
