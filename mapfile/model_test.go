package mapfile

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"turnstone/device/sector"
)

// plain is the map as one would write it without a thought for size: an entry
// for each sector.
type plain struct {
	written []bool
	state   []State
	sum     []uint32
	pass    []int
	others  []map[uint32]side // other data by its sum
	asked   [][]*Run          // by pass, by sector; its Range does not count
}

// side is other data of a sector: the first pass that brought it, and what was
// decided of it.
type side struct {
	pass int
	word verdict
}

func (p *plain) grow(sectors int) {
	for len(p.state) < sectors {
		p.written = append(p.written, false)
		p.state = append(p.state, Untried)
		p.sum, p.pass = append(p.sum, 0), append(p.pass, 0)
		p.others = append(p.others, map[uint32]side{})
	}
	for n := range p.asked {
		for len(p.asked[n]) < sectors {
			p.asked[n] = append(p.asked[n], nil)
		}
	}
}

func (p *plain) addPass() { p.asked = append(p.asked, make([]*Run, len(p.state))) }

func (p *plain) record(pass int, r Run, sums []uint32) (found []Conflict) {
	for a := r.Range.First; a < r.Range.End; a++ {
		p.asked[pass][a] = &r
		switch {
		case !r.Result.Came() && p.state[a] == Untried:
			p.state[a] = Bad
		case !r.Result.Came():
		case p.state[a] != Good:
			p.state[a], p.sum[a], p.pass[a] = Good, sums[a-r.Range.First], pass
			for sum, o := range p.others[a] {
				if o.word == chosen {
					p.others[a][sum] = side{o.pass, undecided}
				}
			}
		case p.sum[a] != sums[a-r.Range.First]:
			other := sums[a-r.Range.First]
			o, known := p.others[a][other]
			if !known {
				p.others[a][other] = side{pass, undecided}
			}
			if o.word == undecided {
				found = append(found, p.conflict(a, other))
			}
		}
	}
	return found
}

func (p *plain) conflict(a sector.LBA, other uint32) Conflict {
	return Conflict{a, p.sum[a], other, p.pass[a], p.others[a][other].pass}
}

func (p *plain) conflicts() (all []Conflict) {
	for a := range p.state {
		var here []Conflict
		for other, o := range p.others[a] {
			if p.state[a] == Good && p.sum[a] != other && o.word == undecided {
				here = append(here, p.conflict(sector.LBA(a), other))
			}
		}
		slices.SortFunc(here, func(x, y Conflict) int {
			if x.OtherPass != y.OtherPass {
				return x.OtherPass - y.OtherPass
			}
			return int(int64(x.Other) - int64(y.Other))
		})
		all = append(all, here...)
	}
	return all
}

// decide settles the sector's conflict for the data with that sum.
func (p *plain) decide(a sector.LBA, sum uint32) {
	was := p.sum[a]
	if sum != was {
		if _, known := p.others[a][was]; !known {
			p.others[a][was] = side{pass: p.pass[a]}
		}
		p.state[a] = Untried
	}
	for other, o := range p.others[a] {
		word := against
		if other == sum && sum != was {
			word = chosen
		}
		p.others[a][other] = side{o.pass, word}
	}
}

// choices is the data decided for that waits.
func (p *plain) choices() (all []Choice) {
	for a := range p.state {
		for sum, o := range p.others[a] {
			if o.word == chosen {
				all = append(all, Choice{sector.LBA(a), sum, o.pass})
			}
		}
	}
	return all
}

// take puts data decided for into the image.
func (p *plain) take(c Choice) {
	delete(p.others[c.At], c.Sum)
	p.state[c.At], p.sum[c.At], p.pass[c.At] = Good, c.Sum, c.Pass
}

// set is the sectors that is tells of.
func (p *plain) set(is func(a int) bool) sector.Set {
	var s sector.Set
	for a := range p.state {
		if is(a) {
			s.Add(sector.Span(sector.LBA(a), 1))
		}
	}
	return s
}

// runs is what the pass asked, neighbours alike as one.
func (p *plain) runs(pass int) (all []Run) {
	for a, asked := range p.asked[pass] {
		if asked == nil {
			continue
		}
		r := *asked
		r.Range = sector.Span(sector.LBA(a), 1)
		if last := len(all) - 1; last >= 0 && all[last].Range.End == r.Range.First {
			same := all[last]
			same.Range = r.Range
			if same == r {
				all[last].Range.End = r.Range.End
				continue
			}
		}
		all = append(all, r)
	}
	return all
}

// compare fails the test where the map tells anything else than the model.
func (p *plain) compare(t *testing.T, m *Map) {
	t.Helper()
	for a := range p.state {
		at := sector.LBA(a)
		if got := m.State(at); got != p.state[a] {
			t.Fatalf("State(%d) = %v; want %v", a, got, p.state[a])
		}
		sum, pass, ok := m.Sum(at)
		if good := p.state[a] == Good; ok != good || good && (sum != p.sum[a] || pass != p.pass[a]) {
			t.Fatalf("Sum(%d) = %x, %d, %v; want %x, %d, %v", a, sum, pass, ok, p.sum[a], p.pass[a], good)
		}
	}
	for _, s := range []State{Untried, Bad, Good} {
		want := p.set(func(a int) bool { return p.written[a] && p.state[a] == s })
		if got := m.In(s); !got.Equal(&want) || m.Count(s) != want.Count() {
			t.Fatalf("In(%v) = %v, Count %d; want %v, %d", s, got, m.Count(s), want, want.Count())
		}
	}
	seen := sector.LBA(0)
	for r, sums := range m.Sums(sector.Range{First: -5, End: 1 << 40}) {
		if int64(len(sums)) != r.Count() || r.First < seen {
			t.Fatalf("Sums gives %v with %d sums after sector %d", r, len(sums), seen)
		}
		for a := seen; a < r.First; a++ {
			if p.state[a] == Good {
				t.Fatalf("Sums passes over good sector %d", a)
			}
		}
		for i, sum := range sums {
			if a := int(r.First) + i; p.state[a] != Good || p.sum[a] != sum {
				t.Fatalf("Sums gives %x for sector %d, which is %v; want %x", sum, a, p.state[a], p.sum[a])
			}
		}
		seen = r.End
	}
	for pass := range p.asked {
		want := p.set(func(a int) bool { return p.state[a] == Good && p.pass[a] == pass })
		if got := m.WonSet(pass); !got.Equal(&want) || m.Won(pass) != want.Count() {
			t.Fatalf("WonSet(%d) = %v, Won %d; want %v", pass, got, m.Won(pass), want)
		}
		if got, want := slices.Collect(m.Runs(pass)), p.runs(pass); !slices.Equal(got, want) {
			t.Fatalf("Runs(%d) = %v; want %v", pass, got, want)
		}
	}
	if got, want := m.Conflicts(), p.conflicts(); !slices.Equal(got, want) {
		t.Fatalf("Conflicts() = %v; want %v", got, want)
	}
	if got, want := m.Choices(), p.choices(); !slices.Equal(got, want) {
		t.Fatalf("Choices() = %v; want %v", got, want)
	}
}

// randomRun is a run somewhere on a disc, most of them short.
func randomRun(rng *rand.Rand, sectors int64, settings int) Run {
	n := 1 + rng.Int64N(20)
	if rng.IntN(8) == 0 {
		n = 1 + rng.Int64N(900)
	}
	n = min(n, sectors)
	return Run{
		Range:    sector.Span(sector.LBA(rng.Int64N(sectors-n+1)), n),
		Result:   Result(1 + rng.IntN(5)),
		Attempts: uint8(rng.IntN(3)), Took: TimeClass(rng.IntN(4)),
		Weak: rng.IntN(4) == 0, Alone: rng.IntN(4) == 0, Settings: uint8(rng.IntN(settings)),
	}
}

// TestModel does arbitrary things to a map and to the model, and compares them
// after each commit, also with what is in the file.
func TestModel(t *testing.T) {
	for seed := range uint64(6) {
		t.Run(fmt.Sprintf("seed=%d", seed), func(t *testing.T) { modelRun(t, rand.New(rand.NewPCG(seed, 1))) })
	}
}

func modelRun(t *testing.T, rng *rand.Rand) {
	m, p := New("model"), &plain{}
	path := mustCreate(t, m)
	setDisc := func(sectors int64) {
		// The written area leaves a gap and an end over, and good sectors never.
		d := Disc{Kind: "dvd", Sectors: sectors, BlockSectors: 16, Identity: map[string]string{"capacity": fmt.Sprint(sectors)}}
		d.Written.Add(sector.Range{First: 0, End: sector.LBA(sectors * 9 / 10)})
		d.Written.Remove(sector.Span(sector.LBA(rng.Int64N(sectors)), rng.Int64N(40)))
		for a := range p.state {
			if p.written[a] && p.state[a] == Good {
				d.Written.Add(sector.Span(sector.LBA(a), 1))
			}
		}
		if err := m.SetDisc(d); err != nil {
			t.Fatalf("SetDisc: %v", err)
		}
		p.grow(int(sectors))
		for a := range p.written {
			p.written[a] = d.Written.Contains(sector.LBA(a))
		}
	}
	sectors := int64(1000)
	m.AddRound(Round{Opened: day})
	setDisc(sectors)
	for step := range 300 {
		switch k := rng.IntN(20); {
		case k == 0:
			sectors += rng.Int64N(700)
			setDisc(sectors)
		case k == 1 || len(p.asked) == 0:
			drive := m.AddDrive(Drive{Vendor: "ACME", Node: fmt.Sprintf("/dev/sr%d", step)})
			speed := Settings{SpeedKBps: step}
			mustPass(t, m, Pass{Round: rng.IntN(len(m.Rounds())), Drive: drive, Started: day, Settings: []Settings{{}, speed, {}}})
			p.addPass()
		case k == 2:
			m.AddRound(Round{Opened: day, Treatments: []Treatment{{Typed: "clean", Word: "clean"}}})
		case k == 3:
			n := rng.IntN(len(p.asked))
			pass := m.Passes()[n]
			pass.Failed, pass.How, pass.Ended = int64(step), "budget", day
			if err := m.SetPass(n, pass); err != nil {
				t.Fatal(err)
			}
		case k == 4:
			a := sector.LBA(rng.Int64N(sectors))
			m.Rot(a)
			if p.state[a] == Good {
				p.state[a] = Untried
			}
		case k == 5:
			settleSome(t, rng, m, p)
		case k == 6:
			mustCommit(t, m, path)
			p.compare(t, m)
			again := mustOpen(t, path)
			p.compare(t, again)
			wantSame(t, "reopened", content(again), content(m))
			wantSound(t, path)
			if rng.IntN(2) == 0 {
				m = again
			}
		default:
			pass, r := rng.IntN(len(p.asked)), randomRun(rng, sectors, 3)
			var sums []uint32
			if r.Result.Came() {
				sums = sumsOf(r.Range, uint32(rng.IntN(12)/10)) // now and then other data
			}
			want := p.record(pass, r, sums)
			got, err := m.Record(pass, r, sums)
			if err != nil || !slices.Equal(got, want) {
				t.Fatalf("Record(%d, %v) = %v, %v; want %v", pass, r, got, err, want)
			}
		}
	}
	mustCommit(t, m, path)
	p.compare(t, mustOpen(t, path))
}

// settleSome decides about a conflict, or takes or forgoes what was decided for.
func settleSome(t *testing.T, rng *rand.Rand, m *Map, p *plain) {
	t.Helper()
	if all := m.Choices(); len(all) > 0 && rng.IntN(2) == 0 {
		c := all[rng.IntN(len(all))]
		if rng.IntN(3) == 0 {
			m.Forgo(c.At)
			p.others[c.At][c.Sum] = side{c.Pass, undecided}
			return
		}
		if err := m.Take(c.At); err != nil {
			t.Fatal(err)
		}
		p.take(c)
		return
	}
	all := append(m.Conflicts(), m.Settled()...)
	if len(all) == 0 {
		return
	}
	c := all[rng.IntN(len(all))]
	sum := c.Kept
	if rng.IntN(2) == 0 {
		sum = c.Other
	}
	if err := m.Decide(c.At, sum); err != nil {
		t.Fatal(err)
	}
	p.decide(c.At, sum)
}

// TestCommitOrder proves that neither how often nor when a map is committed
// changes what it holds in the end.
func TestCommitOrder(t *testing.T) {
	var want string
	for every := range 5 {
		rng := rand.New(rand.NewPCG(7, 7))
		m := newCase(t, 3000)
		path := mustCreate(t, m)
		for step := range 60 {
			r := randomRun(rng, 3000, 1)
			var sums []uint32
			if r.Result.Came() {
				sums = sumsOf(r.Range, 0)
			}
			if _, err := m.Record(0, r, sums); err != nil {
				t.Fatal(err)
			}
			if every > 0 && step%(every*every) == 0 {
				mustCommit(t, m, path)
			}
			if every == 3 && step%7 == 0 {
				mustCommit(t, m, path)
				m = mustOpen(t, path)
			}
		}
		mustCommit(t, m, path)
		got := content(mustOpen(t, path))
		if every == 0 {
			want = got
		}
		wantSame(t, fmt.Sprintf("committing every %d", every*every), got, want)
	}
	if !strings.Contains(want, "Result:delivered") {
		t.Errorf("content %q tells of nothing delivered", want)
	}
}
