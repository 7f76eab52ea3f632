package devicetest

import (
	"slices"

	"turnstone/device"
	"turnstone/device/sector"
)

// Always is the number of times of a fault that does not wear off.
const Always = -1

// rule is one line of the script. Of the rules that cover a sector and have
// times left the newest decides; of several sectors the lowest is met first.
type rule struct {
	over  sector.Range
	does  effect
	class device.Class // of effect fails
	times int          // for each sector, or Always
	spent map[sector.LBA]int
}

type effect uint8

const (
	heals effect = iota
	fails
	weakens
	hangs
)

// left tells whether the rule still holds for sector a.
func (r *rule) left(a sector.LBA) bool {
	return r.over.Contains(a) && (r.times == Always || r.spent[a] < r.times)
}

func (f *Fake) script(over sector.Range, does effect, class device.Class, times int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.rules = append(f.rules, &rule{over, does, class, times, map[sector.LBA]int{}})
}

// Fail makes each sector of r fail that many times (Always: every time), and
// come from then on. A request fails at the first such sector that it meets, and
// only that one's fault wears off.
func (f *Fake) Fail(r sector.Range, class device.Class, times int) { f.script(r, fails, class, times) }

// Stall makes the drive give no answer at each sector of r that many times.
// Nothing waits for real: the answer of class Stalled comes at once, and the
// drive's clock moves by Options.PerStall.
func (f *Fake) Stall(r sector.Range, times int) { f.script(r, fails, device.Stalled, times) }

// GoneAt unplugs the drive when a request meets r.
func (f *Fake) GoneAt(r sector.Range) { f.script(r, fails, device.Gone, Always) }

// Weaken makes the sectors of r come with Answer.Weak set, that many times.
func (f *Fake) Weaken(r sector.Range, times int) { f.script(r, weakens, 0, times) }

// Hang makes Answer wait for real when its request meets r: until its context
// ends, Release or Close is called.
func (f *Fake) Hang(r sector.Range) { f.script(r, hangs, 0, Always) }

// Heal takes every fault off the sectors of r, as good resurfacing does.
func (f *Fake) Heal(r sector.Range) { f.script(r, heals, 0, Always) }

// Release ends every hang of the script.
func (f *Fake) Release() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.rules = slices.DeleteFunc(f.rules, func(r *rule) bool { return r.does == hangs })
	close(f.released)
	f.released = make(chan struct{})
}

// Unplug takes the drive away: the next request that is answered fails as Gone,
// and Reopen fails until Plug.
func (f *Fake) Unplug() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.unplugged = true
}

// Plug brings the drive back. It has to be reopened.
func (f *Fake) Plug() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.unplugged, f.last = false, true
}

// Insert puts another disc into the drive: the next request that is answered
// fails as Changed, and Reopen shows the new Info. The script is emptied and the
// counts start at 0; the log goes on.
func (f *Fake) Insert(sectors int64, content Content, medium string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.info.Sectors, f.info.Medium, f.content = sectors, medium, content
	f.swapped, f.rules, f.count = true, nil, make([]int32, sectors)
}

// The rest is called with mu held.

// facing is the rules that touch r, newest first.
func (f *Fake) facing(r sector.Range) []*rule {
	var out []*rule
	for _, rule := range slices.Backward(f.rules) {
		if rule.over.Overlaps(r) {
			out = append(out, rule)
		}
	}
	return out
}

// newest is the rule that decides over sector a; nil where none does.
func newest(rules []*rule, a sector.LBA) *rule {
	for _, r := range rules {
		if r.left(a) {
			return r
		}
	}
	return nil
}

// first is the first sector of r that fails, and how; its fault wears off by
// one. Class 0 where all of r comes.
func (f *Fake) first(r sector.Range) (sector.LBA, device.Class) {
	if f.unplugged {
		return r.First, device.Gone
	}
	if f.swapped {
		return r.First, device.Changed
	}
	rules := f.facing(r)
	if len(rules) == 0 {
		return r.End, 0
	}
	for a := r.First; a < r.End; a++ {
		rule := newest(rules, a)
		if rule == nil || rule.does != fails {
			continue
		}
		rule.spent[a]++
		if rule.class == device.Gone {
			f.unplugged = true
		}
		return a, rule.class
	}
	return r.End, 0
}

// weak tells whether r, all of which comes, has a weak sector.
func (f *Fake) weak(r sector.Range) bool {
	rules := f.facing(r)
	if len(rules) == 0 {
		return false
	}
	weak := false
	for a := r.First; a < r.End; a++ {
		if rule := newest(rules, a); rule != nil && rule.does == weakens {
			rule.spent[a]++
			weak = true
		}
	}
	return weak
}

// hangs tells whether a request for r never ends: whether it meets a sector that
// hangs before one that fails.
func (f *Fake) hangs(r sector.Range) bool {
	if f.unplugged || f.swapped {
		return false
	}
	rules := f.facing(r)
	if len(rules) == 0 {
		return false
	}
	for a := r.First; a < r.End; a++ {
		if rule := newest(rules, a); rule != nil && rule.does != heals && rule.does != weakens {
			return rule.does == hangs
		}
	}
	return false
}

var answers = map[device.Class]struct {
	text  string
	sense device.Sense
}{
	device.Medium:   {"ENODATA: critical medium error", device.Sense{Key: 3, ASC: 0x11, ASCQ: 5}},
	device.Doubtful: {"EIO: input/output error", device.Sense{}},
	device.Track:    {"EIO: input/output error", device.Sense{Key: 3, ASC: 2}},
	device.Stalled:  {"no answer in the time allowed", device.Sense{}},
	device.Gone:     {"ENODEV: no such device", device.Sense{}},
	device.Changed:  {"another disc lies in the drive", device.Sense{Key: 6, ASC: 0x28}},
	device.Refused:  {"EINVAL: invalid argument", device.Sense{Key: 5, ASC: 0x21}},
}

// failure is the error of a request for r that failed at bad; nil for class 0.
func (f *Fake) failure(r sector.Range, bad sector.LBA, class device.Class) *device.ReadError {
	if class == 0 {
		return nil
	}
	e := &device.ReadError{Drive: f.opened.Name(), Asked: r, Class: class, At: -1, Text: answers[class].text}
	if f.o.NamesAddress {
		e.Sense = answers[class].sense
	}
	if onDisc := class == device.Medium || class == device.Doubtful || class == device.Track; onDisc &&
		(f.o.NamesAddress || r.Count() == 1) {
		e.At = bad
	}
	return e
}
