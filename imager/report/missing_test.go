package report

import (
	"math/rand/v2"
	"testing"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// Every missing sector is in exactly one run, with what a model that goes sector by
// sector says of it: the last pass that asked a drive for it in vain, and whether that
// was in the last round.
func TestEachMissingSectorOnce(t *testing.T) {
	for seed := range uint64(300) {
		rnd := rand.New(rand.NewPCG(seed, 7))
		sectors := 40 + rnd.Int64N(400)
		m := someCase(t, rnd, sectors)
		holes, failed := holesOf(m)
		d := m.Disc()
		last, passes := len(m.Rounds())-1, m.Passes()
		times := make([]int, sectors)
		end := sector.LBA(-1)
		for _, h := range holes {
			if h.Sectors.First < end || h.Sectors.Empty() {
				t.Fatalf("seed %d: run %v behind one that ends at %d; want them in order", seed, h.Sectors, end)
			}
			end = h.Sectors.End
			for a := h.Sectors.First; a < h.Sectors.End; a++ {
				times[a]++
				want := Hole{State: NotAsked, Pass: -1}
				for n, p := range passes {
					for run := range m.Runs(n) {
						if p.Drive >= 0 && !run.Result.Came() && run.Range.Contains(a) {
							want = Hole{State: NotSince, Pass: n, Kind: run.Result.String()}
							if p.Round == last {
								want.State = CouldNot
							}
						}
					}
				}
				if h.State != want.State || h.Pass != want.Pass || h.Kind != want.Kind {
					t.Fatalf("seed %d, sector %d: %+v; want %+v", seed, a, h, want)
				}
				if failed.Contains(a) != (want.State == CouldNot) {
					t.Fatalf("seed %d, sector %d: among those that could not be read: %v; want the state %q", seed, a, failed.Contains(a), want.State)
				}
			}
		}
		missing := int64(0)
		for a := range sector.LBA(sectors) {
			want := 0
			if d.Written.Contains(a) && m.State(a) != mapfile.Good {
				want = 1
				missing++
			}
			if times[a] != want {
				t.Fatalf("seed %d: sector %d is told of %d times; want %d", seed, a, times[a], want)
			}
		}
		s := standingOf(m, holes)
		if s.Missing() != missing || s.Failed+s.NotTried() != missing || s.Failed != failed.Count() {
			t.Fatalf("seed %d: standing = %+v; want %d missing, each counted once", seed, s, missing)
		}
		// By place nothing is lost either.
		r := &Report{Missing: holes, Disc: DiscFacts{Sectors: sectors}, m: m}
		places, kinds := r.Places()
		byPlace, open := int64(0), int64(0)
		for _, p := range places {
			if len(p.Kinds) != len(kinds) || p.To <= p.From {
				t.Fatalf("seed %d: place %+v; want %d kinds, and an extent", seed, p, len(kinds))
			}
			for _, n := range p.Kinds {
				byPlace += n
			}
			open += p.NotTried
		}
		if byPlace != s.Failed || open != s.NotTried() {
			t.Fatalf("seed %d: by place %d failed, %d not tried; want %d and %d", seed, byPlace, open, s.Failed, s.NotTried())
		}
	}
}

// On a disc whose geometry is known, places are radii. A DVD's data begins at 24 mm
// from the middle (ECMA-267, 10.7: the data zone's inner radius, 24.0 mm).
func TestPlacesAreRadii(t *testing.T) {
	const sectors = 2295104
	dir := caseOf(t, nil, mapfile.Disc{Kind: "dvd", BlockSectors: 16, Sectors: sectors}, func(m *mapfile.Map) {
		n := pass(t, m, mapfile.Pass{})
		record(t, m, nil, n, sector.Span(0, 16), mapfile.Failed)
		record(t, m, nil, n, sector.Span(sectors-16, 16), mapfile.LostTrack)
	})
	r := reportOf(t, dir, nil)
	if len(r.Missing) != 3 {
		t.Fatalf("missing = %+v; want the two blocks and what lies between", r.Missing)
	}
	first, last := r.Missing[0], r.Missing[2]
	if !(first.FromMM > 23.9 && first.ToMM < 24.1) || !(last.FromMM > 55 && last.ToMM < 58.6) || last.Kind != "track lost" {
		t.Errorf("first %+v, last %+v; want them at 24 mm and at the outer edge", first, last)
	}
	between := r.Missing[1]
	if between.State != NotAsked || between.FromMM > 24.1 || between.ToMM < 55 {
		t.Errorf("what lies between = %+v; want it never asked for, from edge to edge", between)
	}
	places, kinds := r.Places()
	if len(places) < 30 || len(kinds) != 2 || !places[0].Radius || places[0].From != 24 || places[0].To != 25 {
		t.Errorf("Places() = %+v, %q; want millimetres from 24 on, and two kinds", places, kinds)
	}
}

// What came back is told without drive and place, whatever the drive is called.
func TestWhatCameBack(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"read 100+16 of Simulated drive A: medium error at sector 105 3/11/05: unrecovered read error", "medium error 3/11/05: unrecovered read error"},
		{"read 7+1 of /tmp/a: b.iso: input/output error: EIO", "input/output error: EIO"},
		{"read 100+16 of X: track lost 3/09/00: track following error", "track lost 3/09/00: track following error"},
		{"/dev/sr0: drive gone", "drive gone"},
		{"", "not said"},
		{"something of a later version", "something of a later version"},
	} {
		if got := whatCameBack(c.text); got != c.want {
			t.Errorf("whatCameBack(%q) = %q; want %q", c.text, got, c.want)
		}
	}
}
