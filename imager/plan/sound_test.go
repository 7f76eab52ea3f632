package plan

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"turnstone/mapfile"
)

// patches is a drive with a disc that is badly worn in the middle: in every 400
// turns marks stand at three angles of their own.
type patches struct {
	legs     []leg
	from, to int64 // blocks
}

func (p *patches) bad(b int64) bool {
	if b < p.from || b >= p.to {
		return false
	}
	l := &p.legs[0]
	phase, width := l.arc(b)
	group := uint32(turnOf(l.a, l.b, float64(b)) / 400)
	for i := range uint32(3) {
		at := float64((group*3+i+1)*2654435769>>8) / (1 << 24) // spread by the golden ratio
		if at-math.Floor(at-phase)-phase < width {
			return true
		}
	}
	return false
}

func (p *patches) answer(q Request) Outcome {
	o := Outcome{Request: q, Result: mapfile.Failed}
	for b := int64(q.Range.First) / 16; b*16 < int64(q.Range.End); b++ {
		o.Took += 3 * time.Millisecond
		if p.bad(b) {
			o.Failed = 16
			o.Took += 100 * time.Millisecond
			return o
		}
		o.Good += 16
	}
	return o
}

// withoutLuck is a plan that has seen so many failures elsewhere that there is no luck (luck.go):
// until then no looks are taken. They count for the rate of all blocks, too.
func withoutLuck(t Task) *Plan {
	p := New(t)
	p.place.skill.all.bad = luckUntil
	return p
}

// TestSoundings: a disc without damage is read from end to end without a look
// ahead; on a worn one looks are taken, of ten turns in one ring each, and not
// where all is clean.
func TestSoundings(t *testing.T) {
	const blocks = 30_000
	task := scarTask(blocks)
	d := task.Disc
	for _, test := range []struct {
		name     string
		from, to int64
		some     bool
	}{{"clean", 0, 0, false}, {"worn", 8_000, 22_000, true}} {
		t.Run(test.name, func(t *testing.T) {
			disc := &patches{legs: legsOf(&d), from: test.from, to: test.to}
			p := withoutLuck(task)
			f := p.place.field
			looks := map[int][2]int64{} // by ring: first and last block
			sounding := 0
			for {
				q, step := p.Next()
				if step != Ask || p.place.soundings.over {
					break
				}
				if first := int64(q.Range.First) / 16; q.Why == whySound {
					sounding++
					i := f.ringOf(first)
					x, ok := looks[i]
					if !ok {
						x[0] = first
					}
					looks[i] = [2]int64{x[0], int64(q.Range.End)/16 - 1}
				}
				p.Note(disc.answer(q))
			}
			if (sounding > 0) != test.some {
				t.Fatalf("%d requests look ahead; want some: %v", sounding, test.some)
			}
			for i, x := range looks {
				l := f.rings[i].leg
				if turns := turnOf(l.a, l.b, float64(x[1])) - turnOf(l.a, l.b, float64(x[0])); turns > soundTurns+1 || x[1] >= f.rings[i+1].first {
					t.Errorf("a look in ring %d holds blocks %d to %d, %.1f turns; want %d at most, in one ring", i, x[0], x[1], turns, soundTurns)
				}
			}
		})
	}
}

// TestYield: what the plan says that it expects a second is about what a clean disc then
// brings, falls on a worn one, and is said to be of looks while these are taken.
func TestYield(t *testing.T) {
	const full = 16 / .003 // sectors a second, by the drive
	task := scarTask(30_000)
	task.ToTheEnd = true
	d := &patches{legs: legsOf(&task.Disc), from: 8_000, to: 22_000}
	p := withoutLuck(task)
	most, last, looks := 0.0, 0.0, 0
	for {
		q, step := p.Next()
		if step != Ask {
			break
		}
		yield, looking := p.Yield()
		if looking {
			looks++
		} else {
			if q.Why == whySound {
				t.Fatalf("Yield while %v is looked at = %.0f, false; want true", q.Range, yield)
			}
			most, last = max(most, yield), yield
		}
		p.Note(d.answer(q))
	}
	if most < full/2 || most > 2*full || last > full/10 || looks == 0 {
		t.Errorf("Yield = %.0f sectors a second at most, %.1f at last, with %d looks; want %.0f about, next to nothing, and looks", most, last, looks, full)
	}
	task.Disc.Kind = ""
	if yield, looking := New(task).Yield(); yield != 0 || looking {
		t.Errorf("Yield without a geometry = %v, %v; want 0, false", yield, looking)
	}
}

// TestLooksByHalves: where a half of a disc is dead, a few looks find its end.
func TestLooksByHalves(t *testing.T) {
	const blocks, dead, enough = 60_000, 30_000, 9 // of some 25 rings to look into
	p := withoutLuck(scarTask(blocks))
	f := p.place.field
	looks := map[int]bool{} // by ring, in the dead half
	for {
		q, step := p.Next()
		if step != Ask || p.place.soundings.level > 0 || p.place.soundings.over {
			break
		}
		first := int64(q.Range.First) / 16
		o := Outcome{Request: q, Good: q.Range.Count(), Result: mapfile.Failed, Took: 50 * time.Millisecond}
		if first >= dead {
			o.Good, o.Failed, o.Took = 0, 16, 200*time.Millisecond
			if q.Why == whySound {
				looks[f.ringOf(first)] = true
			}
		} else if end := int64(q.Range.End) / 16; end > dead {
			o.Good, o.Failed = (dead-first)*16, 16
		}
		p.Note(o)
	}
	if n := len(looks); n == 0 || n > enough {
		t.Errorf("looked into %d dead rings; want from 1 to %d", n, enough)
	}
}

// TestReadsOn: a drive that takes twice as long for a block as was expected reads a clean
// disc band by band, and leaves nothing behind to come back for.
func TestReadsOn(t *testing.T) {
	task := scarTask(140_000)
	d := &patches{legs: legsOf(&task.Disc)}
	p := New(task)
	moves, head := 0, int64(-1)
	for {
		q, step := p.Next()
		if step != Ask {
			break
		}
		if int64(q.Range.First) != head {
			moves++
		}
		head = int64(q.Range.End)
		p.Note(d.answer(q))
	}
	if moves > 2*bands {
		t.Errorf("%d moves over a clean disc; want %d at most", moves, 2*bands)
	}
}

// TestNoLooksByLuck: no looks are taken until so many have failed that a surface would have
// shown itself; without luck some are by then.
func TestNoLooksByLuck(t *testing.T) {
	looks := func(p *Plan) (n int) {
		r := rand.New(rand.NewPCG(45, 46))
		for failed := 0; failed < luckUntil-1; {
			q, step := p.Next()
			if step != Ask {
				t.Fatalf("the pass ends after %d failures", failed)
			}
			if q.Why == whySound {
				n++
			}
			o := Outcome{Request: q, Result: mapfile.Failed}
			for range q.Range.Count() / 16 {
				o.Took += 24 * time.Millisecond // at an eighth of the speed
				if r.Float64() < .4 {
					o.Failed, o.Took = 16, o.Took+100*time.Millisecond
					failed++
					break
				}
				o.Good += 16
			}
			p.Note(o)
		}
		return n
	}
	task := scarTask(30_000)
	if with, without := looks(New(task)), looks(withoutLuck(task)); with > 0 || without == 0 {
		t.Errorf("%d looks with luck, %d without; want none and some", with, without)
	}
}

// TestGivenUpAnew: nothing is given up, nor asked for without a choice, by an estimate of the
// whole disc that is eight outcomes old.
func TestGivenUpAnew(t *testing.T) {
	for _, end := range []bool{false, true} {
		task := scarTask(30_000)
		task.ToTheEnd = end
		p := New(task)
		d := &patches{legs: legsOf(&task.Disc), from: 8_000, to: 22_000}
		begun, why := 0, ""
		for {
			moment := p.place.moment
			q, step := p.Next()
			given := step != Ask && p.place.stopped || q.Why != why && (q.Why == whySweep || q.Why == whyProof)
			if given && p.place.anew+proofs < moment {
				t.Fatalf("%q, stopped %v, by an estimate of moment %d, at %d", q.Why, p.place.stopped, p.place.anew, moment)
			}
			if step != Ask {
				if p.place.stopped == end {
					t.Errorf("to the end %v: stopped before it %v", end, p.place.stopped)
				}
				break
			}
			if given {
				begun++
			}
			why = q.Why
			p.Note(d.answer(q))
		}
		if begun == 0 {
			t.Errorf("to the end %v: nothing was swept nor proved; want some", end)
		}
	}
}

// TestPatchesWhole: a pass that may end by itself leaves next to nothing of patches that no
// surface explains: by the model there was nothing left once, when as much was still to come as
// had come.
func TestPatchesWhole(t *testing.T) {
	const blocks = 12_000
	for seed := range uint64(3) {
		r := rand.New(rand.NewPCG(seed, 43))
		bad, good := make([]bool, blocks), 0
		for from := 0; from < blocks; from += 24 {
			patch := r.Float64() < .9
			for b := from; b < min(from+24, blocks); b++ {
				if bad[b] = patch && r.Float64() < .75; !bad[b] {
					good++
				}
			}
		}
		p := New(scarTask(blocks))
		came := 0
		for {
			q, step := p.Next()
			if step != Ask {
				break
			}
			o := Outcome{Request: q, Result: mapfile.Failed}
			for b := int64(q.Range.First) / 16; b*16 < int64(q.Range.End); b++ {
				o.Took += 3 * time.Millisecond
				if bad[b] {
					o.Failed = 16
					o.Took += 900 * time.Millisecond
					break
				}
				o.Good += 16
				came++
			}
			p.Note(o)
		}
		if came < good*95/100 {
			t.Errorf("seed %d: %d blocks came of %d good ones, then %+v; want 95 of a hundred", seed, came, good, p.End())
		}
	}
}
