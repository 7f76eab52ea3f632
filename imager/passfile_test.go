package imager

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"testing"

	"turnstone/device/sector"
	"turnstone/imager/pack"
	"turnstone/mapfile"
)

// packed is a pass file of the station's case.
func (s *station) packed(t *testing.T, p Packing) []byte {
	t.Helper()
	out, res, err := s.pack(t, p)
	if err != nil || !res.Lost.Empty() || res.Bytes != int64(len(out)) {
		t.Fatalf("Pack() = %+v, %v; want nothing lost, nil", res, err)
	}
	return out
}

func (s *station) pack(t *testing.T, p Packing) ([]byte, Packed, error) {
	t.Helper()
	values, err := mapfile.Values(s.mapPath)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	res, err := s.source(t).pack(t.Context(), values, &out, p)
	return out.Bytes(), res, err
}

// passSource is a pass file as a source, in one stream.
func passSource(t *testing.T, file []byte) *Source {
	t.Helper()
	s, err := NewPassSource("a.pass", io.MultiReader(bytes.NewReader(file))) // a reader and nothing more
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

// unpack unpacks a file, cut short or not; what it can't give is for the caller to look
// at.
func (s *station) unpack(t *testing.T, file []byte) (from Brought) {
	t.Helper()
	src, err := NewPassSource("a.pass", bytes.NewReader(file))
	if errors.Is(err, pack.ErrCut) || errors.Is(err, pack.ErrForeign) {
		return Brought{Broken: err}
	} else if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	return s.take(t, src).From[0]
}

// A pass file brings what a merge of its case would, with where it came from.
func TestUnpack(t *testing.T) {
	fresh, b := sweepStations(t)
	byMerge, byFile := fresh.duplicate(t, 1), fresh.duplicate(t, 1)
	want := byMerge.merge(t, b).From[0]
	got := byFile.unpack(t, b.packed(t, Packing{}))
	if got.Won != want.Won || got.Conflicts != want.Conflicts || got.Broken != nil || !got.Lost.Empty() || !got.Absent.Empty() {
		t.Errorf("unpacking = %+v; want as merging, %+v", got, want)
	}
	if told(byFile.c.m) != told(byMerge.c.m) || !bytes.Equal(byFile.image, byMerge.image) {
		t.Errorf("%s; want %s, and the same image", told(byFile.c.m), told(byMerge.c.m))
	}
	for n, p := range byMerge.c.m.Passes() {
		if q := byFile.c.m.Passes()[n]; p.Origin != nil && *p.Origin != *q.Origin {
			t.Errorf("pass %d is from %+v; want %+v", n, q.Origin, p.Origin)
		}
	}
	if c, d := byFile.c.m.Conflicts(), byMerge.c.m.Conflicts(); fmt.Sprint(c) != fmt.Sprint(d) {
		t.Errorf("conflicts %v; want %v", c, d)
	}
	if again := byFile.unpack(t, b.packed(t, Packing{})); again.Won+again.Conflicts != 0 || len(again.Passes) != 0 {
		t.Errorf("unpacking again = %+v; want nothing new", again)
	}
}

// What is packed can be chosen, by round and by sectors; a conflict goes with both its
// sides, where one of them is of that round.
func TestPackSome(t *testing.T) {
	const n = 512
	b := newStation(t, "b", n, []sector.Range{span(256, 256)}, []sector.LBA{7})
	b.c.m.AddRound(mapfile.Round{Opened: epochTime, Treatments: []mapfile.Treatment{{Typed: "polish fine"}}})
	third := newStation(t, "third", n, []sector.Range{span(400, 50)}, nil)
	b.merge(t, third)
	only := sector.Of(span(0, 10), span(300, 200))
	for _, test := range []struct {
		name           string
		p              Packing
		image, beside  int64
		won, conflicts int64 // at a station that lacks all
	}{
		{"all", Packing{}, n - 50, 1, n - 50, 1},
		{"since round 1", Packing{Since: 1}, 256 - 50 + 1, 1, 256 - 50 + 1, 1},
		{"some sectors", Packing{Only: &only}, 10 + 150, 1, 10 + 150, 1},
		{"some since round 1", Packing{Since: 1, Only: &only}, 1 + 150, 1, 1 + 150, 1},
	} {
		out, res, err := b.pack(t, test.p)
		if err != nil || res.Sectors != test.image || res.Others != test.beside {
			t.Errorf("%s: Pack() = %+v, %v; want %d sectors, %d other sides", test.name, res, err, test.image, test.beside)
		}
		a := newStation(t, "a", n, []sector.Range{span(0, n)}, nil)
		from := a.unpack(t, out)
		if from.Won != test.won || from.Conflicts != test.conflicts || !from.Lost.Empty() {
			t.Errorf("%s: unpacking = %+v; want %d won, %d in conflict", test.name, from, test.won, test.conflicts)
		}
		for _, p := range a.c.m.Passes()[1:] {
			if p.Origin.Case == "third" && p.Origin.Round != 0 || p.Origin.Case == "b" && p.Origin.Round != 0 {
				t.Errorf("%s: a pass from %+v; want round 0, in which both drives read", test.name, p.Origin)
			}
		}
	}
	nothing := sector.Of(span(400, 50))
	for _, p := range []Packing{{Since: 2}, {Since: -1}, {Only: &nothing}, {Only: &sector.Set{}}} {
		if out, _, err := b.pack(t, p); len(out) > 0 || !errors.Is(err, ErrNothingToPack) && !errors.Is(err, mapfile.ErrUnknown) {
			t.Errorf("Pack(%+v) = %d bytes, %v; want nothing, and why", p, len(out), err)
		}
	}
	// What differs and was not packed is told of, and no conflict: its data is not there.
	a, few := newStation(t, "a", n, nil, []sector.LBA{300}), sector.Of(span(20, 5))
	from := a.unpack(t, b.packed(t, Packing{Only: &few}))
	if want := sector.Of(span(7, 1), span(300, 1)); !from.Absent.Equal(&want) || from.Conflicts != 0 {
		t.Errorf("unpacking without what differs = %+v; want %v absent, no conflict", from, want)
	}
}

// What comes belongs to the round that is said, and to none that is not there.
func TestUnpackIntoRound(t *testing.T) {
	const n = 256
	b := newStation(t, "b", n, nil, nil)
	file := b.packed(t, Packing{})
	a := newStation(t, "a", n, []sector.Range{span(0, 100)}, nil)
	a.c.m.AddRound(mapfile.Round{Opened: epochTime})
	for _, round := range []int{-1, 2} {
		g := merging(passSource(t, file))
		g.Round = &round
		if _, err := a.c.Merge(t.Context(), g); !errors.Is(err, mapfile.ErrUnknown) || len(a.c.m.Passes()) != 1 {
			t.Errorf("Merge(round %d) = %v, %d passes; want ErrUnknown, 1", round, err, len(a.c.m.Passes()))
		}
	}
	for i, round := range []int{0, 1} {
		x := a.duplicate(t, 1)
		x.c.m.AddRound(mapfile.Round{Opened: epochTime})
		g := merging(passSource(t, file))
		if g.Round = &round; i == 1 {
			g.Round = nil // the last one
		}
		if _, err := x.c.Merge(t.Context(), g); err != nil {
			t.Fatal(err)
		}
		x.close(x.c)
		if got := x.c.m.Passes()[1].Round; got != round {
			t.Errorf("the pass belongs to round %d; want %d", got, round)
		}
	}
}

// A sector that has rotted at the station is not packed, and not taken for one that the
// file lacks by chance.
func TestPackRotten(t *testing.T) {
	b := newStation(t, "b", 300, nil, nil)
	b.image[sector.LBA(77).Offset()] ^= 1
	out, res, err := b.pack(t, Packing{})
	want := sector.Of(span(77, 1))
	if err != nil || !res.Lost.Equal(&want) || res.Sectors != 299 {
		t.Errorf("Pack() = %+v, %v; want %v lost", res, err, want)
	}
	a := newStation(t, "a", 300, []sector.Range{span(0, 300)}, nil)
	if from := a.unpack(t, out); !from.Lost.Equal(&want) || from.Won != 299 || from.Broken != nil {
		t.Errorf("unpacking = %+v; want %v lost, the rest won", from, want)
	}
}

// A file that is cut short anywhere, or in which a bit has flipped, gives what it can: each
// sector of it is the disc's, and the whole file brings the rest.
func TestUnpackDamaged(t *testing.T) {
	const n = 3000
	rnd := rand.New(rand.NewPCG(1, 2))
	b := newStation(t, "b", n, []sector.Range{span(100, 10), span(2000, 300)}, nil)
	file := b.packed(t, Packing{})
	some := 0
	for range 24 {
		a := newStation(t, "a", n, []sector.Range{span(0, n)}, nil)
		bad := bytes.Clone(file)
		if rnd.IntN(2) == 0 {
			bad = bad[:rnd.IntN(len(bad))]
		} else {
			bad[rnd.IntN(len(bad))] ^= 1 << rnd.IntN(8)
			if s, err := NewPassSource("x", bytes.NewReader(bad)); err != nil {
				continue // the head, the map or the list
			} else if err := s.Close(); err != nil {
				t.Fatal(err)
			}
		}
		from := a.unpack(t, bad) // which proves that what is good is what the map's sums say
		if from.Broken == nil {
			t.Errorf("unpacking a damaged file = %+v; want it called broken", from)
		}
		if from.Won > 0 && from.Won < n-310 {
			some++
		}
		a.content = nil
		if rest := a.unpack(t, file); from.Won+rest.Won != n-310 || rest.Broken != nil {
			t.Errorf("first %d, then %+v; want together %d", from.Won, rest, n-310)
		}
		if !bytes.Equal(a.image, b.image) {
			t.Error("the image is not that of the other station")
		}
	}
	if some < 5 {
		t.Errorf("%d files gave a part; want some", some)
	}
}

// splitDisc is stations with random parts of one disc. Where odd is set each has bytes of
// its own in one sector of a few, and enough of the disc to be known for the same. The
// choice is invented.
func splitDisc(t *testing.T, rnd *rand.Rand, stations int, odd bool) (all []*station) {
	t.Helper()
	holes, longest := 1+rnd.IntN(6), int64(400)
	if odd {
		holes, longest = 2, 200
	}
	for i := range stations {
		var missing []sector.Range
		for range holes {
			first := sector.LBA(rnd.IntN(propertySectors))
			missing = append(missing, span(first, 1+rnd.Int64N(longest)).Intersect(span(0, propertySectors)))
		}
		var own []sector.LBA
		if odd {
			own = []sector.LBA{sector.LBA(100 * rnd.IntN(3))}
		}
		all = append(all, newStation(t, string(rune('a'+i)), propertySectors, missing, own))
	}
	return all
}

// Random splits of one disc over up to five cases, packed and unpacked in any order and
// any number of times, whole, in part or cut short, come to the same image and states at
// every station, and to the same sectors in conflict where there are any.
func TestAnyOrderOfPassFiles(t *testing.T) {
	for seed := range uint64(10) {
		rnd := rand.New(rand.NewPCG(seed, 11))
		odd := seed%2 == 1
		t.Run(fmt.Sprintf("seed=%d/conflicts=%v", seed, odd), func(t *testing.T) {
			all := splitDisc(t, rnd, 2+rnd.IntN(4), odd)
			for range 12 {
				from, to := all[rnd.IntN(len(all))], all[rnd.IntN(len(all))]
				if from == to {
					continue
				}
				first := sector.LBA(rnd.Int64N(propertySectors))
				only := sector.Of(span(first, propertySectors-int64(first)))
				p := Packing{Only: &only}
				if rnd.IntN(2) == 0 {
					p.Only = nil
				}
				file, _, err := from.pack(t, p)
				if errors.Is(err, ErrNothingToPack) {
					continue
				} else if err != nil {
					t.Fatal(err)
				}
				if rnd.IntN(3) == 0 {
					file = file[:rnd.IntN(len(file))]
				}
				to.unpack(t, file)
			}
			for range 2 { // in the end everybody gets all, also what came by others
				for _, from := range all {
					for _, to := range all {
						if from != to {
							to.unpack(t, from.packed(t, Packing{}))
						}
					}
				}
			}
			disputed := all[0].c.m.InConflict()
			if !odd && !disputed.Empty() {
				t.Errorf("conflicts %v; want none", disputed)
			}
			for _, s := range all[1:] {
				if got, want := told(s.c.m), told(all[0].c.m); got != want {
					t.Errorf("%s; want %s", got, want)
				}
				for a := range sector.LBA(propertySectors) {
					at := a.Offset()
					if !disputed.Contains(a) && !bytes.Equal(s.image[at:at+sector.Size], all[0].image[at:at+sector.Size]) {
						t.Fatalf("sector %d differs between stations", a)
					}
				}
			}
		})
	}
}

// A conflict that travelled has both its sides and both their origins at the other
// station, and can be settled there, and otherwise later.
func TestConflictTravels(t *testing.T) {
	const n = 256
	a := newStation(t, "a", n, nil, nil)
	b := newStation(t, "b", n, nil, []sector.LBA{50})
	a.unpack(t, b.packed(t, Packing{}))
	c := newStation(t, "c", n, []sector.Range{span(0, n)}, nil)
	c.unpack(t, a.packed(t, Packing{}))
	all := c.c.m.Conflicts()
	if len(all) != 1 || all[0].At != 50 {
		t.Fatalf("Conflicts() = %v; want that of sector 50", all)
	}
	passes := c.c.m.Passes()
	if kept, other := passes[all[0].KeptPass].Origin, passes[all[0].OtherPass].Origin; kept.Case != "a" || other.Case != "b" {
		t.Errorf("its sides are from %+v and %+v; want a and b", kept, other)
	}
	for i, side := range []int{all[0].OtherPass, all[0].KeptPass, all[0].OtherPass} {
		res, err := c.c.SettleFor(side, i > 0)
		if err != nil || res.Changed != 1 {
			t.Errorf("SettleFor(%d) = %+v, %v; want 1 changed", side, res, err)
		}
		c.close(c.c)
		want := a.image
		if side == all[0].OtherPass {
			want = b.image
		}
		if !bytes.Equal(c.image, want) {
			t.Errorf("settled for pass %d: the image is not its station's", side)
		}
		if against := c.c.DecidedAgainst(all[0].KeptPass + all[0].OtherPass - side); against.Count() != 1 {
			t.Errorf("settled for pass %d: decided against the other %v; want sector 50", side, against)
		}
		if res, err := c.c.SettleFor(all[0].KeptPass+all[0].OtherPass-side, false); err != nil || res.Changed+res.Kept != 0 {
			t.Errorf("SettleFor(the other side, not again) = %+v, %v; want nothing", res, err)
		}
	}
	// Settled there, it is no conflict to who has one side.
	if from := b.unpack(t, c.packed(t, Packing{})); from.Conflicts != 0 {
		t.Errorf("unpacking what was settled for b = %+v; want no conflict", from)
	}
}

// What another case's records say can be shown, and is nothing that can't be.
func TestPlainRecords(t *testing.T) {
	const n = 64
	b := newStation(t, "b\x1b[2J", n, nil, nil)
	d := b.c.m.Disc()
	d.Kind, d.BlockSectors, d.Layers = "dvd\x1b]0;x\a", 7, []int64{1 << 40}
	d.Seen = &mapfile.Seen{Note: "see\u202e\x07"}
	if err := b.c.m.SetDisc(d); err != nil {
		t.Fatal(err)
	}
	b.c.m.AddRound(mapfile.Round{Treatments: []mapfile.Treatment{{Typed: "polish\x1b[31m"}}})
	if err := b.c.commit(); err != nil {
		t.Fatal(err)
	}
	for name, s := range map[string]*Source{"case": b.source(t), "pass file": passSource(t, b.packed(t, Packing{}))} {
		a := newStation(t, "a", n, []sector.Range{span(0, n)}, nil)
		if got := s.Disc(); name == "pass file" && (got.Kind != "unknown" || got.Layers != nil || got.BlockSectors != 16 || got.Seen.Note != "see??") {
			t.Errorf("%s: Disc() = %+v, seen %+v; want what can be", name, got, got.Seen)
		}
		a.take(t, s)
		p := a.c.m.Passes()[1]
		if p.Origin.Case != "b?[2J" || p.Origin.Drive != "/dev/b?[2J" {
			t.Errorf("%s: origin %+v; want no control characters", name, p.Origin)
		}
	}
}
