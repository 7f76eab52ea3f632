package ruler

import (
	"slices"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/device/sim"
)

// Order decides what one pass reads next.
type Order interface {
	// Next is what to ask for, or false when there is nothing more. The range lies
	// on the disc, holds at most the drive's MaxSectors and no good sector.
	Next() (Request, bool)
	// Note tells the order what became of what it asked for last. The answer's data
	// is valid until it returns.
	Note(Request, device.Answer)
}

// Request is what an order asks for.
type Request struct {
	Range    sector.Range
	Settings device.Settings // set before; nil retries: as they are
	Slow     bool            // at the drive's lowest speed
}

// Task is what an order is told of its pass.
type Task struct {
	Round, Drive int
	Info         device.Info
	Missing      sector.Set
	Own, Least   uint8 // the drive's own read retry count, and the least that it takes
	// Chances is the truth, by block. Only an order that is to know it may look.
	Chances []sim.Chance
}

// Blocks is what is missing, in pieces of one block each, in order of address.
func (t *Task) Blocks() []sector.Range {
	n := sector.LBA(t.Info.BlockSectors)
	var blocks []sector.Range
	for r := range t.Missing.Runs() {
		for r.First < r.End {
			end := min(r.End, (r.First/n+1)*n)
			blocks = append(blocks, sector.Range{First: r.First, End: end})
			r.First = end
		}
	}
	return blocks
}

// Yardstick is the order of a name: straight, stretches or oracle. False is
// returned for others.
func Yardstick(name string) (func(Task) Order, bool) {
	switch name {
	case "straight":
		return func(t Task) Order { return straight(t) }, true
	case "stretches":
		return func(t Task) Order { return newStretches(t) }, true
	case "oracle":
		return func(t Task) Order { return oracle(t) }, true
	}
	return nil, false
}

// with makes a request with a read retry count.
func with(r sector.Range, retries uint8) Request {
	return Request{Range: r, Settings: device.Settings{Retries: &retries}}
}

// round is one time through some blocks, each asked for with the same settings
// until it came, so and so many times at most.
type round struct {
	blocks  []sector.Range
	retries uint8
	times   int
}

// rounds is an order that goes through its rounds one after another.
type rounds struct {
	left  []round
	tried int // how often the first block of the first round was asked for
}

func (o *rounds) Next() (Request, bool) {
	for len(o.left) > 0 && len(o.left[0].blocks) == 0 {
		o.left = o.left[1:]
	}
	if len(o.left) == 0 {
		return Request{}, false
	}
	return with(o.left[0].blocks[0], o.left[0].retries), true
}

func (o *rounds) Note(_ Request, a device.Answer) {
	r := &o.left[0]
	o.tried++
	if a.Err == nil || o.tried == r.times {
		r.blocks, o.tried = r.blocks[1:], 0
		return
	}
	r.blocks[0].First += sector.LBA(a.Good())
}

// straight asks for every block once, in order of address, with the drive's own
// retries.
func straight(t Task) *rounds {
	return &rounds{left: []round{{t.Blocks(), t.Own, 1}}}
}

// sureOf is the chance from which on the oracle takes a block for sound.
const sureOf = 0.995

// oracle knows the truth. It asks for the sound blocks in order of address, then
// for the other readable ones up to three times each with the drive's own
// retries, then once for each of the rest.
func oracle(t Task) *rounds {
	sound := round{retries: t.Least, times: 1}
	doubtful := round{retries: t.Own, times: 3}
	rest := round{retries: t.Least, times: 1}
	for _, b := range t.Blocks() {
		c := t.Chances[int(b.First)/t.Info.BlockSectors]
		to := &rest
		switch {
		case c.Usual >= sureOf:
			to = &sound
		case c.Readable():
			to = &doubtful
		}
		to.blocks = append(to.blocks, b)
	}
	return &rounds{left: []round{sound, doubtful, rest}}
}

// stretches lays the written area in equal stretches. One is read forward until a
// block fails; then reading goes to the one with the best record. When every block
// was asked for once, what failed without losing the track is asked for once more,
// with the drive's own retries.
type stretches struct {
	rounds
	task    Task
	all     []stretch
	current int
	failed  []sector.Range
}

// stretch is a stretch's blocks that are left, and how those before them fared.
type stretch struct {
	blocks      []sector.Range
	good, tried int
}

const stretchCount = 256

func newStretches(t Task) *stretches {
	s := &stretches{task: t, all: make([]stretch, stretchCount)}
	n := int64(t.Info.BlockSectors)
	blocks := (t.Info.Sectors + n - 1) / n
	for _, b := range t.Blocks() {
		i := int64(b.First) / n * stretchCount / blocks
		s.all[i].blocks = append(s.all[i].blocks, b)
	}
	s.current = s.best()
	return s
}

// best is the unfinished stretch with the best record, (good + 1) / (tried + 2),
// the lowest among equals; −1 where all are finished.
func (s *stretches) best() int {
	best := -1
	for i, a := range s.all {
		if len(a.blocks) == 0 {
			continue
		}
		if best < 0 || (a.good+1)*(s.all[best].tried+2) > (s.all[best].good+1)*(a.tried+2) {
			best = i
		}
	}
	return best
}

func (s *stretches) Next() (Request, bool) {
	if s.current < 0 {
		return s.rounds.Next()
	}
	return with(s.all[s.current].blocks[0], s.task.Least), true
}

func (s *stretches) Note(q Request, a device.Answer) {
	if s.current < 0 {
		s.rounds.Note(q, a)
		return
	}
	at := &s.all[s.current]
	at.blocks = at.blocks[1:]
	at.tried++
	if a.Err == nil {
		at.good++
		if len(at.blocks) > 0 {
			return
		}
	} else if a.Err.Class == device.Medium {
		s.failed = append(s.failed, sector.Range{First: q.Range.First + sector.LBA(a.Good()), End: q.Range.End})
	}
	if s.current = s.best(); s.current < 0 {
		slices.SortFunc(s.failed, func(a, b sector.Range) int { return int(a.First - b.First) })
		s.left = []round{{s.failed, s.task.Own, 1}}
	}
}
