package imager

import (
	"bytes"
	"fmt"
	"strings"

	"turnstone/imager/volume/tree"
)

// listTail is how the name of a list of what is missing ends.
const listTail = ".missing.txt"

// lacks is what a file lacks, as the list beside it.
type lacks struct {
	j       job
	missing int64
	lines   bytes.Buffer
	last    tree.Span // of what, not in lines yet
	what    fill
	cut     bool // they are left out of what is written, rather than zeros
}

func newLacks(j job) *lacks { return &lacks{j: j} }

// empty tells whether the file is as it should be.
func (l *lacks) empty() bool { return l.missing == 0 && l.j.State == FileWhole }

func (l *lacks) add(at tree.Span, what fill) {
	l.missing += at.End - at.First
	if l.last.End == at.First && l.what == what && l.last.First < l.last.End {
		l.last.End = at.End
		return
	}
	l.flush()
	l.last, l.what = at, what
}

// dispute adds bytes that two sources gave differently.
func (l *lacks) dispute(at tree.Span) {
	l.flush()
	fmt.Fprintf(&l.lines, "%d+%d disputed\n", at.First, at.End-at.First)
}

func (l *lacks) flush() {
	if l.last.First < l.last.End {
		word := "missing"
		if l.what == fillRotten {
			word = "rotten"
		}
		fmt.Fprintf(&l.lines, "%d+%d %s\n", l.last.First, l.last.End-l.last.First, word)
	}
	l.last = tree.Span{}
}

// text is the list: what it is, and one range of bytes a line.
func (l *lacks) text() []byte {
	l.flush()
	var b bytes.Buffer
	here := "are zeros here"
	if l.cut {
		here = "are left out here, with what can't be shown without them"
	}
	fmt.Fprintf(&b, "# %s: %d of its %d bytes are missing, and %s.\n", shownIn(l.j.Path()), l.missing, l.j.known(), here)
	if l.j.Why != "" {
		fmt.Fprintf(&b, "# It is not certain what belongs to it: %s.\n", l.j.Why)
	}
	if l.j.Disputed > 0 {
		fmt.Fprintf(&b, "# Of what is disputed another source gave other bytes.\n")
	}
	fmt.Fprintf(&b, "# One range a line: its first byte, counted from 0, and how many there are.\n")
	b.Write(l.lines.Bytes())
	return b.Bytes()
}

// shownIn is a path in a line of text.
func shownIn(path string) string {
	if q := fmt.Sprintf("%q", path); strings.Trim(q, `"`) != path {
		return q
	}
	return path
}
