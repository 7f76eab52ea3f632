package mapfile

import (
	"encoding/binary"
	"strings"

	"turnstone/device/sector"
)

// loadRecords reads the disc, and the rounds, drives and passes by number, so
// far as they are there.
func (l *loader) loadRecords() {
	m := l.m
	if body, ok := l.take(discKey); ok {
		d, err := discOf(body)
		if err != nil {
			l.bad("disc: %v", err)
			return
		}
		if err := m.SetDisc(d); err != nil {
			l.bad("disc: %v", err)
		}
	}
	if body, ok := l.take(wantedKey); ok {
		r, err := decodeJSON[wantedRecord](body)
		var w Wanted
		if err == nil {
			w, err = r.wanted(m.states.sectors)
		}
		if err == nil {
			err = m.SetWanted(w)
		}
		if err != nil {
			l.bad("%v", err)
		}
	}
	if body, ok := l.take(closingKey); ok {
		c, err := decodeJSON[Closing](body)
		if err == nil {
			err = m.SetClosing(c)
		}
		if err != nil {
			l.bad("%v", err)
		}
	}
	if body, ok := l.take(watchedKey); ok {
		w, err := decodeJSON[Watched](body)
		if err == nil {
			err = m.SetWatched(w)
		}
		if err != nil {
			l.bad("watched: %v", err)
		}
	}
	loadAll(l, "drive", func(d Drive) error { m.AddDrive(d); return nil })
	loadAll(l, "round", func(r Round) error { m.AddRound(r); return nil })
	loadAll(l, "pass", func(p Pass) error { _, err := m.AddPass(p); return err })
	for key := range l.records {
		if l.head.Minor <= minor {
			l.bad("records: %q is not known", key)
		}
	}
}

// take takes a record out of those that are left to load.
func (l *loader) take(key string) ([]byte, bool) {
	body, ok := l.records[key]
	delete(l.records, key)
	return body, ok
}

// loadAll reads the records of one kind, from number 0 on.
func loadAll[T any](l *loader, kind string, add func(T) error) {
	for n := 0; ; n++ {
		key := string(recordKey(kind, n))
		body, ok := l.take(key)
		if !ok {
			return
		}
		v, err := decodeJSON[T](body)
		if err == nil {
			err = add(v)
		}
		if err != nil {
			l.bad("records: %s: %v", key, strings.TrimSpace(err.Error()))
			return
		}
	}
}

func discOf(body []byte) (Disc, error) {
	r, err := decodeJSON[discRecord](body)
	if err != nil {
		return Disc{}, err
	}
	return r.disc()
}

// pageOf is the page that a key names.
func pageOf(key []byte) (uint32, bool) {
	if len(key) != 4 {
		return 0, false
	}
	return binary.BigEndian.Uint32(key), true
}

// onDisc tells whether a page of that many sectors begins on the disc.
func (l *loader) onDisc(n uint32, sectors int64) bool { return int64(n)*sectors < l.m.states.sectors }

func (l *loader) loadStates(key, body []byte) {
	s := &l.m.states
	n, ok := pageOf(key)
	if !ok || !l.onDisc(n, pageSectors) {
		l.bad("states: page %x is not on the disc", key)
		return
	}
	p, err := decodePage(body)
	if err != nil {
		l.bad("states: page %d: %v", n, err)
		return
	}
	if !p.good.or(p.bad).andNot(inPage(n, s.pageRange(n))).empty() {
		l.bad("states: page %d reaches beyond the disc", n)
		return
	}
	if !l.passesOf(&p) {
		l.bad("states: page %d was won by a pass that is not known", n)
		return
	}
	if !l.room.take(s.pages.cost(n)) {
		return
	}
	if l.bare {
		p.sums = nil
	} else {
		p.sums = l.keep(p.sums)
	}
	*s.pages.touch(n) = p
	s.count(n, &p, 1)
	s.countWon(&p)
}

// passesOf tells whether all passes that won sectors of the page are known.
func (l *loader) passesOf(p *page) bool {
	known := len(l.m.passes)
	if p.wins == nil {
		return p.good.empty() || int(p.won) < known
	}
	for i := p.good.scan(0, 0); i < pageSectors; i = p.good.scan(i+1, 0) {
		if int(p.wins[i]) >= known {
			return false
		}
	}
	return true
}

func (l *loader) loadRuns(key, body []byte) {
	m := l.m
	if len(key) != 6 {
		l.bad("runs: key %x can't be", key)
		return
	}
	k := runKey{binary.BigEndian.Uint16(key), binary.BigEndian.Uint32(key[2:])}
	if int(k.pass) >= len(m.passes) || !l.onDisc(k.page, runSectors) {
		l.bad("runs: pass %d, page %d is not known", k.pass, k.page)
		return
	}
	pieces, err := decodePieces(m.work[:0], body, runSectors, validFate)
	if err != nil {
		l.bad("runs: pass %d, page %d: %v", k.pass, k.page, err)
		return
	}
	m.work = pieces
	at, settings := int64(k.page)*runSectors, max(1, len(m.passes[k.pass].Settings))
	for _, p := range pieces {
		at += int64(p.n)
		if int(p.what>>24) >= settings {
			l.bad("runs: pass %d, page %d: settings %d are not known", k.pass, k.page, p.what>>24)
			return
		}
	}
	if at > m.states.sectors {
		l.bad("runs: pass %d, page %d reaches beyond the disc", k.pass, k.page)
		return
	}
	if l.room.take(m.runs[k.pass].cost(k.page)) {
		*m.runs[k.pass].touch(k.page) = l.keep(body)
	}
}

func (l *loader) loadConflicts(key, body []byte) {
	n, ok := pageOf(key)
	if !ok || !l.onDisc(n, pageSectors) {
		l.bad("conflicts: page %x is not on the disc", key)
		return
	}
	list, err := decodeConflicts(body)
	if err != nil {
		l.bad("conflicts: page %d: %v", n, err)
		return
	}
	for _, o := range list {
		if int(o.pass) >= len(l.m.passes) || !inPage(n, l.m.states.pageRange(n)).has(int(o.at)) {
			l.bad("conflicts: page %d names a pass or sector that is not known", n)
			return
		}
	}
	l.checkChosen(n, list)
	l.m.conflicts[n] = list
}

// checkChosen holds the data decided for against the states: its sector is not
// good, and it is the only one.
func (l *loader) checkChosen(n uint32, list []other) {
	last := -1
	for _, o := range list {
		if o.word != chosen {
			continue
		}
		a := sector.LBA(n)*pageSectors + sector.LBA(o.at)
		if l.m.State(a) == Good || last == int(o.at) {
			l.bad("conflicts: sector %d waits for data that was decided for, and has other data", a)
		}
		last = int(o.at)
	}
}
