package plan

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// scar is a drive with a disc on which all blocks that pass over some angle fail
// between two rings: an invented one, whose angle drifts as that of a disc with
// another pitch would. A few blocks next to it come with many retries only.
type scar struct {
	legs     []leg
	from, to int64 // blocks
	angle    float64
	lost     bool
}

func newScar(d Disc, from, to int64, angle float64, lost bool) *scar {
	s := &scar{legs: legsOf(&d), from: from, to: to, angle: angle, lost: lost}
	s.legs[0].set(-.004, .002)
	return s
}

func (s *scar) bad(b int64) bool {
	if b < s.from || b >= s.to {
		return false
	}
	phase, width := s.legs[0].arc(b)
	return phase < s.angle && s.angle < phase+width || s.angle+1 < phase+width
}

func (s *scar) marginal(b int64) bool { return !s.bad(b) && (s.bad(b-1) || s.bad(b+1)) && b%41 == 0 }

func (s *scar) answer(q Request) Outcome {
	o := Outcome{Request: q, Result: mapfile.Failed}
	for b := int64(q.Range.First) / 16; b*16 < int64(q.Range.End); b++ {
		o.Took += 3 * time.Millisecond
		if s.bad(b) || s.marginal(b) && *q.Settings.Retries < 16 {
			o.Failed = 16
			o.Took += 100 * time.Millisecond
			if s.bad(b) && s.lost {
				o.Result = mapfile.LostTrack
				o.Took += 6 * time.Second
			}
			return o
		}
		o.Good += 16
	}
	return o
}

func scarTask(blocks int64) Task {
	return Task{
		Disc:    Disc{Kind: "dvd", Block: 16, Largest: 256, WholeBlocks: true, Written: sector.Of(sector.Span(0, blocks*16))},
		Retries: Retries{0, 16}, ToTheEnd: true,
	}
}

// follow runs a pass to its end, so many requests outstanding, and gives them in
// order.
func follow(t *testing.T, task Task, s *scar, depth int) (*Plan, []Request) {
	t.Helper()
	p := New(task)
	var asked, waiting []Request
	for {
		q, step := p.Next()
		switch step {
		case Ask:
			asked, waiting = append(asked, q), append(waiting, q)
			if len(waiting) < depth {
				continue
			}
		case Done:
			return p, asked
		}
		if len(waiting) == 0 {
			t.Fatal("Wait while nothing is outstanding")
		}
		p.Note(s.answer(waiting[0]))
		waiting = waiting[1:]
	}
}

// TestByPlace: every block is asked for once, and what fails and loses no track once more with
// more retries; what fails with fewer retries comes in the end; the same outcomes give the
// same requests.
func TestByPlace(t *testing.T) {
	const blocks = 2400
	for _, lost := range []bool{false, true} {
		for depth := 1; depth <= 3; depth++ {
			t.Run(fmt.Sprintf("lost=%v,depth=%d", lost, depth), func(t *testing.T) {
				task := scarTask(blocks)
				s := newScar(task.Disc, 600, 1700, .3, lost)
				p, asked := follow(t, task, s, depth)
				retries := make([][]uint8, blocks)
				came := make([]bool, blocks)
				for _, q := range asked {
					o := s.answer(q)
					for b := int64(q.Range.First) / 16; b*16 < int64(q.Range.First)+o.Good+o.Failed; b++ {
						retries[b] = append(retries[b], *q.Settings.Retries)
						if came[b] {
							t.Fatalf("request %v asks for block %d, which came", q.Range, b)
						}
						came[b] = b*16 < int64(q.Range.First)+o.Good
					}
				}
				for b, r := range retries {
					switch {
					case len(r) == 0 || len(r) > 2 || len(r) == 2 && r[1] <= r[0] || len(r) == 1 && !came[b] && !lost:
						t.Fatalf("block %d was asked for with retries %v", b, r)
					case came[b] == s.bad(int64(b)):
						t.Fatalf("block %d came: %v; want %v (retries %v)", b, came[b], !came[b], r)
					}
				}
				if e := p.End(); e.How != complete {
					t.Errorf("End() = %+v; want it complete", e)
				}
				_, again := follow(t, task, s, depth)
				if !slices.EqualFunc(asked, again, func(a, b Request) bool { return a.Range == b.Range && a.Why == b.Why }) {
					t.Error("the same outcomes gave other requests")
				}
			})
		}
	}
}

// TestByPlaceIsFrugal: where one angle of a ring is bad, half of the good blocks
// there come before a tenth of the bad ones were tried.
func TestByPlaceIsFrugal(t *testing.T) {
	const blocks = 9000
	task := scarTask(blocks)
	s := newScar(task.Disc, 3000, 7000, .6, true)
	good, bad := 0, 0
	for b := range int64(blocks) {
		if b >= s.from && b < s.to {
			if s.bad(b) {
				bad++
			} else {
				good++
			}
		}
	}
	_, asked := follow(t, task, s, 1)
	came, tried := 0, 0
	for _, q := range asked {
		o := s.answer(q)
		for b := int64(q.Range.First) / 16; b*16 < int64(q.Range.First)+o.Good; b++ {
			if b >= s.from && b < s.to {
				came++
			}
		}
		if o.Failed > 0 {
			tried++
		}
		if came > good*9/10 {
			break
		}
	}
	if tried*10 > bad {
		t.Errorf("%d of %d bad blocks were tried until nine tenths of %d good ones had come; want a tenth at most", tried, bad, good)
	}
}

// TestEndsByItself: a disc on which nothing comes any more ends the pass, with
// words, and a pass to the end asks for everything all the same.
func TestEndsByItself(t *testing.T) {
	const blocks = 9000
	task := scarTask(blocks)
	s := newScar(task.Disc, 4000, 7000, .5, true)
	task.ToTheEnd = false
	p, asked := follow(t, task, s, 1)
	if e := p.End(); e.How != littleLeft || e.Why == "" || p.Left() != 0 {
		t.Errorf("End() = %+v, Left() = %d; want it to say that little is left", e, p.Left())
	}
	came := int64(0)
	for _, q := range asked {
		came += s.answer(q).Good / 16
	}
	good := int64(0)
	for b := range int64(blocks) {
		if !s.bad(b) {
			good++
		}
	}
	if came < good*98/100 {
		t.Errorf("the pass ended with %d of %d blocks that come; want nearly all", came, good)
	}
	task.ToTheEnd = true
	if p, _ := follow(t, task, s, 1); p.End().How != complete {
		t.Errorf("to the end: End() = %+v; want it complete", p.End())
	}
}

// TestGoesOn: a pass that goes on where another was cut off asks for the rest
// only, and knows the surface: what comes is asked for
// long before what does not.
func TestGoesOn(t *testing.T) {
	const blocks = 6000
	task := scarTask(blocks)
	s := newScar(task.Disc, 1500, 4500, .25, true)
	_, whole := follow(t, task, s, 1)
	r := rand.New(rand.NewPCG(1, 9))
	cut := len(whole)/3 + r.IntN(len(whole)/3)
	past := Past{Settings: []mapfile.Settings{{}}}
	for _, q := range whole[:cut] {
		o := s.answer(q)
		end := q.Range.First + sector.LBA(o.Good)
		if o.Good > 0 {
			past.Runs = append(past.Runs, mapfile.Run{Range: sector.Range{First: q.Range.First, End: end}, Result: mapfile.Delivered})
			task.Good.Add(sector.Range{First: q.Range.First, End: end})
		}
		if o.Failed > 0 {
			past.Runs = append(past.Runs, mapfile.Run{Range: sector.Span(end, o.Failed), Result: o.Result})
		}
	}
	slices.SortFunc(past.Runs, func(a, b mapfile.Run) int { return int(a.Range.First - b.Range.First) })
	task.History = []Past{past}
	_, rest := follow(t, task, s, 1)
	known := sector.Set{}
	for _, run := range past.Runs {
		known.Add(run.Range)
	}
	var good, bad mean // of the places in the order
	for i, q := range rest {
		if known.Overlaps(q.Range) {
			t.Fatalf("request %v was asked for in the pass before", q.Range)
		}
		if o := s.answer(q); o.Good > 0 {
			good.add(float64(i))
		} else {
			bad.add(float64(i))
		}
	}
	if good.of() > bad.of()/2 {
		t.Errorf("of %d requests after the restart those that bring something have place %.0f on average, the others %.0f", len(rest), good.of(), bad.of())
	}
}

// TestOutlook: what is expected never exceeds what is missing, grows with the
// time, and loss and certainty stay in their bounds.
func TestOutlook(t *testing.T) {
	const blocks = 9000
	task := scarTask(blocks)
	s := newScar(task.Disc, 4000, 7000, .5, true)
	p := New(task)
	for i := 0; ; i++ {
		q, step := p.Next()
		if step == Done {
			if c := p.Chance(0); c < .9 {
				t.Errorf("at the end Chance(0) = %v; want nearly 1: all around came", c)
			}
			break
		}
		p.Note(s.answer(q))
		if i%500 != 100 {
			continue
		}
		last := 0.0
		for _, within := range []time.Duration{time.Second, time.Minute, time.Hour, 100 * time.Hour} {
			n, dev := p.Outlook(within)
			if n < last || n > float64(p.Left())+1 || dev < 0 {
				t.Fatalf("Outlook(%v) = %v ± %v; the hour before %v, left %d", within, n, dev, last, p.Left())
			}
			last = n
		}
		for range 100 {
			loss, sure := p.Loss(0, 24+float64(i%40)/20, float64(i%64)/64)
			if loss < 0 || sure < 0 || sure > 1 {
				t.Fatalf("Loss = %v, %v", loss, sure)
			}
		}
		if c := p.Chance(0); c < 0 || c > 1 {
			t.Fatalf("Chance(0) = %v", c)
		}
	}
}

// TestSurvey: one block in a hundred at most, each once, spread over radius and
// angle; more of them where blocks fail and others come.
func TestSurvey(t *testing.T) {
	const blocks = 40000
	task := scarTask(blocks)
	task.Survey = 5000
	s := newScar(task.Disc, 10000, 16000, .5, false)
	p, asked := follow(t, task, s, 2)
	if len(asked) > blocks/100 || len(asked) < blocks/100*9/10 {
		t.Errorf("%d samples; want nearly %d", len(asked), blocks/100)
	}
	if e := p.End(); e.How != complete || p.Left() != 0 {
		t.Errorf("End() = %+v, Left() = %d", e, p.Left())
	}
	seen := map[sector.LBA]bool{}
	var tenths, eighths [10]int
	inside := 0
	for _, q := range asked {
		if seen[q.Range.First] || q.Range.Count() != 16 {
			t.Fatalf("request %v is no block, or the second of it", q.Range)
		}
		seen[q.Range.First] = true
		b := int64(q.Range.First) / 16
		phase, _ := s.legs[0].arc(b)
		tenths[b*10/blocks]++
		eighths[int(phase*8)]++
		if b >= s.from && b < s.to {
			inside++
		}
	}
	for i, n := range tenths {
		if n < 10 || i < 8 && eighths[i] < 20 {
			t.Errorf("samples by tenth of the disc %v, by eighth of the turn %v; want all seen", tenths, eighths)
			break
		}
	}
	if inside*100 < 20*len(asked) {
		t.Errorf("%d of %d samples lie where results disagree, 15 %% of the disc; want a fifth at least", inside, len(asked))
	}
}
