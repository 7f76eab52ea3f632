package mapfile

import (
	"turnstone/device/sector"
)

// Check proves every invariant from the file alone and gives what is wrong, in
// words: at most about a hundred problems, none if the map is sound. It changes
// nothing. The error says why the file could not be read at all: it is not
// there, not readable, busy, or ErrEmpty, ErrForeign, ErrNewer or ErrDamaged.
//
// Beyond what Open proves (every database page is in use once or free once;
// every value matches its checksum, and their sum and number the head; every
// number names something that is there; the counts are those of the head):
//
//   - a good sector was asked for by the pass that won it,
//   - a bad sector was asked for in vain by some pass,
//   - each block of events can be read.
func Check(path string) (problems []string, err error) {
	var l loader
	err = inspect(path, openPatience, func(data []byte) error {
		block := 0
		l.block = func(body []byte) {
			if _, err := decodeEvents(body); err != nil {
				l.bad("events: block %d: %v", block, err)
			}
			block++
		}
		return l.load(data)
	})
	if err != nil {
		return nil, err
	}
	if len(l.problems) == 0 {
		l.checkAsked()
	}
	return l.problems, nil
}

// checkAsked holds the states against what the passes asked.
func (l *loader) checkAsked() {
	m := l.m
	var failed sparse[mask]
	for pass := range m.passes {
		var asked sparse[mask]
		for r := range m.Runs(pass) {
			for n, in := range pagesOf(r.Range) {
				a := asked.touch(n)
				*a = a.or(in)
				if !r.Result.Came() {
					f := failed.touch(n)
					*f = f.or(in)
				}
			}
		}
		for n, p := range m.states.pages.all() {
			if won := p.wonBy(uint16(pass)); !won.empty() {
				l.checkMask(n, won, asked.get(n), "good, and pass %d that won it did not ask for it", pass)
			}
		}
	}
	for n, p := range m.states.pages.all() {
		if !p.bad.empty() {
			l.checkMask(n, p.bad, failed.get(n), "bad, and no pass asked for it in vain")
		}
	}
}

// checkMask complains of the first sector of page n that is in some and not in
// all.
func (l *loader) checkMask(n uint32, some mask, all *mask, format string, args ...any) {
	if all != nil {
		some = some.andNot(*all)
	}
	if i := some.scan(0, 0); i < pageSectors {
		l.bad("sector %d is "+format, append([]any{sector.LBA(n)*pageSectors + sector.LBA(i)}, args...)...)
	}
}
