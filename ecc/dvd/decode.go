package dvd

import (
	"bytes"
	"slices"

	"turnstone/ecc/rs"
)

// Result is what Decode found in a block and made of it.
type Result struct {
	// Sectors is each sector's verdict. Clean and Corrected mean that its EDC is
	// right; Corrected, that a byte of its rows, PI included, isn't what it was.
	Sectors [Sectors]rs.Verdict
	// RowsWrong is the rows that came with something wrong in them ("PI errors"),
	// RowsFailed those of them in which that was more than PI corrects.
	RowsWrong, RowsFailed int
	// RowsLeft is the rows that are still no code words of PI. Where it is zero and
	// a sector is uncorrectable, its EDC has caught what the codes took for right.
	RowsLeft int
}

// Readable is the number of sectors whose EDC is right.
func (r *Result) Readable() int {
	n := 0
	for _, v := range r.Sectors {
		if v != rs.Uncorrectable {
			n++
		}
	}
	return n
}

// maxRounds ends what might go on for ever: rows and columns that undo each other
// in a block beyond help. Blocks that can be helped take two or three.
const maxRounds = 8

// Decode corrects a block in place, as the package's comment tells. Of a sector
// that is uncorrectable the block holds anything afterwards. Decode does not know
// which sectors it ought to find; who does compares their IDs.
//
// ErrLength is returned when block hasn't the length of one, and nothing is
// changed then.
func (c *Codec) Decode(block []byte) (Result, error) {
	if err := fits(block); err != nil {
		return Result{}, err
	}
	c.weak = [Rows]bool{}
	copy(c.came[:], block)
	var res Result
	res.RowsWrong = c.correctRows(block)
	res.RowsFailed = len(c.failed)
	for range maxRounds {
		if !c.correctColumns(block) {
			break
		}
		c.correctRows(block)
	}
	res.RowsLeft = len(c.failed)
	for s := range Sectors {
		res.Sectors[s] = c.judge(block, s)
	}
	return res, nil
}

// correctRows lets PI do what it can and notes in which rows it can't. It returns
// the number of rows with anything wrong.
func (c *Codec) correctRows(block []byte) int {
	wrong := 0
	c.failed = c.failed[:0]
	for i := range Rows {
		res, _ := c.rows.Decode(row(block, i), nil) // no error: the length fits
		switch res.Verdict {
		case rs.Clean:
			continue
		case rs.Corrected:
			c.weak[i] = len(res.At) == RowErrors
		case rs.Uncorrectable:
			c.failed, c.weak[i] = append(c.failed, i), false
		}
		wrong++
	}
	return wrong
}

// correctColumns lets PO do what it can, the failed rows being erasures if they
// aren't too many. Where columns are left, the suspects are erased too, if all
// together aren't too many. It tells whether anything was changed.
func (c *Codec) correctColumns(block []byte) bool {
	c.erased = c.erased[:0]
	if len(c.failed) > ColumnErasures {
		_, changed := c.columnsOnce(block)
		return changed
	}
	c.suspect(block) // now: columns that come out wrong spoil sectors for a while
	c.erased = append(c.erased, c.failed...)
	left, changed := c.columnsOnce(block)
	if all := len(c.failed) + len(c.suspects); left > 0 && len(c.suspects) > 0 && all <= ColumnErasures {
		c.erased = append(c.erased, c.suspects...)
		_, more := c.columnsOnce(block)
		changed = changed || more
	}
	return changed
}

// columnsOnce corrects the columns with the erasures at hand. It returns how many
// are uncorrectable and whether anything was changed.
func (c *Codec) columnsOnce(block []byte) (left int, changed bool) {
	res, _ := c.columns.Decode(block, c.erased) // no error: length and erasures fit
	return res.Uncorrectable, res.Corrected > 0
}

// suspect lists the rows that PI may have taken for others: those corrected at
// the limit whose sector's EDC doesn't vouch for them.
func (c *Codec) suspect(block []byte) {
	c.suspects = c.suspects[:0]
	for i := 0; i < dataRows; i += frameRows {
		if weak := c.weak[i:][:frameRows]; slices.Contains(weak, true) && !c.right(block, i/frameRows) {
			c.addSuspects(i, weak)
		}
	}
	c.addSuspects(dataRows, c.weak[dataRows:])
}

// addSuspects lists the weak ones of the rows from first on.
func (c *Codec) addSuspects(first int, weak []bool) {
	for i, w := range weak {
		if w {
			c.suspects = append(c.suspects, first+i)
		}
	}
}

// right tells whether a sector's EDC is right.
func (c *Codec) right(block []byte, s int) bool {
	gather(c.frame[:], block, s)
	return edcRight(c.frame[:])
}

// judge is a sector's verdict. What was changed is compared, not counted: columns
// that come out wrong change sound rows, and PI changes them back.
func (c *Codec) judge(block []byte, s int) rs.Verdict {
	if !c.right(block, s) {
		return rs.Uncorrectable
	}
	at, size := rowAt(s*frameRows), frameRows*RowSize // a frame's rows lie together
	if bytes.Equal(block[at:at+size], c.came[at:at+size]) {
		return rs.Clean
	}
	return rs.Corrected
}
