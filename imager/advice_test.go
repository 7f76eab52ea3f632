package imager

import (
	"slices"
	"strings"
	"testing"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// past is what happened to an invented disc of 160 sectors before advice is asked
// for.
type past struct {
	kind      string // "" : dvd
	unknown   bool   // no drive recognised it
	seen      mapfile.Seen
	rounds    []string   // a treatment each; round 0 has none
	passes    []pastRead // in order
	conflicts bool
}

// pastRead is a pass that asked for the disc up to asked, and failed at the
// sectors from 32 to failed.
type pastRead struct {
	round, drive  int
	asked, failed sector.LBA
	settings      []mapfile.Settings // none: the drive heeds none
}

const (
	discEnd = sector.LBA(160)
	badFrom = sector.LBA(32)
)

// of makes the map.
func (p past) of(t *testing.T) *mapfile.Map {
	t.Helper()
	must := func(err error) {
		if err != nil {
			t.Fatal(err)
		}
	}
	m := mapfile.New("case")
	m.AddRound(mapfile.Round{})
	d := mapfile.Disc{Kind: "dvd", Sectors: int64(discEnd), BlockSectors: 16, Written: sector.Of(sector.Range{End: discEnd})}
	if p.kind != "" {
		d.Kind = p.kind
	}
	if p.unknown {
		d = mapfile.Disc{Kind: "unknown", BlockSectors: 16}
	}
	if p.seen != (mapfile.Seen{}) {
		d.Seen = &p.seen
	}
	must(m.SetDisc(d))
	for _, typed := range p.rounds {
		treatment, err := ParseTreatment(typed)
		must(err)
		m.AddRound(mapfile.Round{Treatments: []mapfile.Treatment{treatment}})
	}
	drives := map[int]int{}
	for _, r := range p.passes {
		if _, known := drives[r.drive]; !known {
			drives[r.drive] = m.AddDrive(mapfile.Drive{Node: "/dev/invented" + string(rune('0'+r.drive))})
		}
		n, err := m.AddPass(mapfile.Pass{Round: r.round, Drive: drives[r.drive], How: HowComplete, Settings: append([]mapfile.Settings{{}}, r.settings...)})
		must(err)
		sums := func(r sector.Range, seed uint32) []uint32 {
			s := make([]uint32, r.Count())
			for i := range s {
				s[i] = uint32(r.First) + uint32(i) + seed
			}
			return s
		}
		came := func(r sector.Range, seed uint32) {
			if !r.Empty() {
				_, err := m.Record(n, mapfile.Run{Range: r, Result: mapfile.Delivered, Attempts: 1}, sums(r, seed))
				must(err)
			}
		}
		came(sector.Range{End: min(badFrom, r.asked)}, 0)
		came(sector.Range{First: r.failed, End: r.asked}, 0)
		if r.failed > badFrom {
			_, err := m.Record(n, mapfile.Run{Range: sector.Range{First: badFrom, End: r.failed}, Result: mapfile.Failed, Attempts: 1}, nil)
			must(err)
		}
		if p.conflicts {
			came(sector.Span(0, 1), 7)
		}
	}
	return m
}

// The first advice for where a case stands.
func TestAdviseFirst(t *testing.T) {
	scratched := pastRead{asked: discEnd, failed: 64}
	retries := uint8(16)
	full, slow := []mapfile.Settings{{Retries: &retries}}, []mapfile.Settings{{Retries: &retries}, {Retries: &retries, SpeedKBps: 2770}}
	for _, c := range []struct {
		name string
		past past
		want string // how the first advice begins
	}{
		{"not recognised yet", past{unknown: true}, "Read it."},
		{"not recognised, and cracked", past{unknown: true, seen: mapfile.Seen{Crack: "yes"}}, "Do not spin it"},
		{"never read", past{}, "Read on before anything is done"},
		{"interrupted", past{passes: []pastRead{{asked: 100, failed: 64}}}, "Read on before anything is done"},
		{"all asked", past{passes: []pastRead{scratched}}, "Clean it"},
		{"cleaned, not read since", past{rounds: []string{"clean"}, passes: []pastRead{scratched}}, "Read it on its new surface."},
		{"cleaned and read", past{rounds: []string{"clean"}, passes: []pastRead{scratched, {round: 1, asked: discEnd, failed: 64}}},
			"Let another drive try"},
		{"cleaned, two drives", past{rounds: []string{"clean"},
			passes: []pastRead{scratched, {round: 1, asked: discEnd, failed: 64}, {round: 1, drive: 1, asked: discEnd, failed: 64}}}, "Polish it"},
		{"two drives, nobody cleaned", past{passes: []pastRead{scratched, {drive: 1, asked: discEnd, failed: 64}}}, "Clean it"},
		{"a second drive of an earlier surface does not count", past{rounds: []string{"clean"},
			passes: []pastRead{scratched, {drive: 1, asked: discEnd, failed: 64}, {round: 1, asked: discEnd, failed: 64}}}, "Let another drive try"},
		{"cleaned and read, by a drive that heeds settings", past{rounds: []string{"clean"}, passes: []pastRead{scratched, {round: 1, asked: discEnd, failed: 64, settings: full}}},
			"Ask this drive again, slower"},
		{"cleaned and read, slowly", past{rounds: []string{"clean"}, passes: []pastRead{scratched, {round: 1, asked: discEnd, failed: 64, settings: slow}}},
			"Let another drive try"},
		{"polished, not read since", past{rounds: []string{"clean", "polish fine"}, passes: []pastRead{scratched}}, "Read it on its new surface."},
		{"polished, reading interrupted", past{rounds: []string{"clean", "polish fine"},
			passes: []pastRead{scratched, {round: 2, asked: 48, failed: 48}}}, "Read on before anything is done"},
		{"cracked, after a pass", past{seen: mapfile.Seen{Crack: "yes"}, passes: []pastRead{scratched}}, "Do not spin it"},
		{"a Blu-ray, not cleaned", past{kind: "bd", passes: []pastRead{scratched}}, "Clean it"},
		{"a Blu-ray, all done", past{kind: "bd", rounds: []string{"clean"},
			passes: []pastRead{{round: 1, asked: discEnd, failed: 64}, {round: 1, drive: 1, asked: discEnd, failed: 64}}}, "Stop at cleaning"},
		{"holes in the label, all done", past{kind: "cd", seen: mapfile.Seen{Label: "holes"}, rounds: []string{"clean"},
			passes: []pastRead{{round: 1, asked: discEnd, failed: 64}, {round: 1, drive: 1, asked: discEnd, failed: 64}}}, "Look where the light comes through"},
		{"whole", past{passes: []pastRead{{asked: discEnd, failed: badFrom}}}, "Prove the image once more"},
		{"whole, and cracked", past{seen: mapfile.Seen{Crack: "yes"}, passes: []pastRead{{asked: discEnd, failed: badFrom}}}, "Prove the image once more"},
		{"in conflict", past{conflicts: true, passes: []pastRead{{asked: discEnd, failed: badFrom}}}, "Settle what is in conflict"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := Advise(c.past.of(t))
			if len(got) == 0 || !strings.HasPrefix(got[0].What, c.want) {
				t.Fatalf("Advise() = %+v; want first %q", got, c.want)
			}
			for _, a := range got {
				if a.What == "" || a.Why == "" {
					t.Errorf("Advise() gives %+v; want what to do, and why", a)
				}
			}
		})
	}
}

// The least irreversible thing comes first, whatever happened before; a Blu-ray is
// never to be sanded or polished, a cracked disc never to be read.
func TestAdviseNeverGoesBack(t *testing.T) {
	harm := func(a Advice) int {
		switch {
		case strings.Contains(a.Do, "round CASE \"sand"):
			return 4
		case strings.Contains(a.Do, "round CASE \"polish"):
			return 3
		case strings.Contains(a.Do, "read CASE --drive OTHER"):
			return 2
		case strings.Contains(a.Do, "round CASE clean"):
			return 1
		}
		return 0
	}
	kinds := []string{"cd", "dvd", "bd", "unknown"}
	seen := []mapfile.Seen{{}, {Crack: "no"}, {Crack: "yes"}, {Label: "holes"}, {Fragile: "yes", Label: "sound"}}
	rounds := [][]string{nil, {"clean"}, {"sand 2000"}, {"clean", "polish fine"}}
	asked := []sector.LBA{0, 48, 100, discEnd}
	tried := 0
	for _, kind := range kinds {
		for _, s := range seen {
			for _, r := range rounds {
				for _, first := range asked {
					for _, second := range asked {
						p := past{kind: kind, seen: s, rounds: r, passes: []pastRead{
							{asked: first, failed: min(first, 64)},
							{round: len(r), drive: 1, asked: second, failed: min(second, 48)},
						}}
						got := slices.DeleteFunc(Advise(p.of(t)), func(a Advice) bool { return a.Do == "" }) // a warning
						tried++
						if !slices.IsSortedFunc(got, func(a, b Advice) int { return harm(a) - harm(b) }) {
							t.Fatalf("%+v: Advise() = %+v; want the least irreversible first", p, got)
						}
						for _, a := range got {
							if kind == "bd" && harm(a) >= 3 {
								t.Fatalf("%+v: Advise() = %+v; want no sanding or polishing of a Blu-ray", p, a)
							}
							if s.Crack == "yes" && strings.Contains(a.Do, "turnstone read") {
								t.Fatalf("%+v: Advise() = %+v; want no reading of a cracked disc", p, a)
							}
						}
					}
				}
			}
		}
	}
	if want := len(kinds) * len(seen) * len(rounds) * len(asked) * len(asked); tried != want {
		t.Errorf("%d pasts; want %d", tried, want)
	}
}
