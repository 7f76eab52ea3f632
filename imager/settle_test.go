package imager

import (
	"bytes"
	"errors"
	"fmt"
	"testing"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// disputed is a case of three conflicts: sector 100 with b's data, 110 with b's
// and c's, 120 with c's. Pass 0 is its own, 1 from b, 2 from c. In all of them
// the case's own data is the disc's.
func disputed(t *testing.T) *station {
	t.Helper()
	const n = 256
	a := newStation(t, "a", n, []sector.Range{span(200, 10)}, nil)
	b := newStation(t, "b", n, []sector.Range{span(200, 10)}, []sector.LBA{100, 110})
	c := newStation(t, "c", n, []sector.Range{span(200, 10)}, []sector.LBA{110, 120})
	// So few sectors in conflict are too many for so small a disc: the rule for
	// another disc is not what this is about.
	for _, s := range []*station{b, c} {
		for _, h := range [][]sector.LBA{{100}, {110}, {120}} {
			src := s.source(t)
			src.good = sector.Of(span(0, 50), span(h[0], 1))
			src.m = nil
			src.id = "/" + s.c.m.CaseID()
			if _, err := a.c.Merge(t.Context(), merging(src)); err != nil {
				t.Fatal(err)
			}
		}
	}
	a.close(a.c)
	if got := a.c.m.Conflicts(); len(got) != 4 {
		t.Fatalf("Conflicts() = %+v; want 4", got)
	}
	return a
}

// sidesOf is the conflicts of one sector.
func sidesOf(m *mapfile.Map, a sector.LBA) []mapfile.Conflict {
	var all []mapfile.Conflict
	for _, c := range m.Conflicts() {
		if c.At == a {
			all = append(all, c)
		}
	}
	return all
}

// holds tells whose data a sector of the image has: the disc's, or a station's.
func (d *cutDisk) holds(a sector.LBA) string {
	p := d.image[a.Offset():][:sector.Size]
	if id, ok := bytes.CutPrefix(p[8:], []byte("other bytes of ")); ok {
		return string(id[:1])
	}
	want := make([]byte, sector.Size)
	if devicetest.Pattern(a, want); bytes.Equal(p, want) {
		return "disc"
	}
	return "neither"
}

// Settling by hand decides the conflicts in which the pass is a side, and no
// others; what is decided stays so.
func TestSettleFor(t *testing.T) {
	for _, test := range []struct {
		name       string
		at         sector.LBA
		side       int // of the sector's conflicts, -1: what was kept
		want       string
		kept, took int64
		left       int
	}{
		{"the other side", 100, 0, "b", 0, 1, 3},
		{"the first of two", 110, 0, "b", 0, 1, 2},
		{"the second of two", 110, 1, "c", 0, 1, 2},
		{"what the image has", 110, -1, "disc", 3, 0, 0},
	} {
		a := disputed(t)
		all := sidesOf(a.c.m, test.at)
		pass, sum := all[0].KeptPass, all[0].Kept
		if test.side >= 0 {
			pass, sum = all[test.side].OtherPass, all[test.side].Other
		}
		res, err := a.c.SettleFor(pass, false)
		if err != nil || res.Kept != test.kept || res.Changed != test.took || !res.Lost.Empty() {
			t.Errorf("%s: SettleFor(%d) = %+v, %v; want %d kept, %d changed", test.name, pass, res, err, test.kept, test.took)
		}
		a.close(a.c)
		if got := a.holds(test.at); got != test.want {
			t.Errorf("%s: the image has %s; want %s", test.name, got, test.want)
		}
		if got, by, _ := a.c.m.Sum(test.at); got != sum || by != pass {
			t.Errorf("%s: the map has %08x of pass %d; want %08x of %d", test.name, got, by, sum, pass)
		}
		if got := len(a.c.m.Conflicts()); got != test.left {
			t.Errorf("%s: %d conflicts are left; want %d", test.name, got, test.left)
		}
		if got := a.c.m.Count(mapfile.Good); got != 246 {
			t.Errorf("%s: good = %d; want 246 as before", test.name, got)
		}
		a.c = a.open(a.c.now) // also from the disk
		if got := a.holds(test.at); got != test.want || len(a.c.m.Conflicts()) != test.left {
			t.Errorf("%s: opened again the image has %s, %d conflicts; want %s, %d", test.name, got, len(a.c.m.Conflicts()), test.want, test.left)
		}
		if n := events(t, a, KindSettled); n != int(test.kept+test.took) {
			t.Errorf("%s: %d events; want one for each decision", test.name, n)
		}
	}
}

// events counts a kind in the case's map.
func events(t *testing.T, s *station, kind string) (n int) {
	t.Helper()
	err := mapfile.Events(s.mapPath, func(e mapfile.Event) bool {
		if e.Kind == kind {
			n++
		}
		return true
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// A side that is not kept any more can't be decided for; nothing is changed.
func TestSettleForWhatIsLost(t *testing.T) {
	a := disputed(t)
	side := sidesOf(a.c.m, 100)[0]
	before := told(a.c.m)
	lost := a.kept.now[keptAt{side.OtherPass, 100}]
	a.kept.now[keptAt{side.OtherPass, 100}] = make([]byte, sector.Size)
	res, err := a.c.SettleFor(side.OtherPass, false)
	if want := sector.Of(span(100, 1)); err != nil || !res.Lost.Equal(&want) || res.Changed != 0 {
		t.Errorf("SettleFor() = %+v, %v; want sector 100 lost", res, err)
	}
	if got := told(a.c.m); got != before || a.holds(100) != "disc" {
		t.Errorf("%s, the image has %s; want %s, disc", got, a.holds(100), before)
	}
	// Lost between the decision and the image: the sector is to be read again.
	a.kept.now[keptAt{side.OtherPass, 100}] = lost
	if err := a.c.m.Decide(100, side.Other); err != nil {
		t.Fatal(err)
	}
	a.kept.now[keptAt{side.OtherPass, 100}] = make([]byte, sector.Size)
	if n, err := a.c.takeDecided(); n != 0 || err != nil {
		t.Errorf("takeDecided() = %d, %v; want 0, nil", n, err)
	}
	if got := a.c.m.State(100); got != mapfile.Untried || len(a.c.m.Choices()) != 0 {
		t.Errorf("sector 100 is %v, %d decisions wait; want untried, none", got, len(a.c.m.Choices()))
	}
	a.proveZero(a.c.m)
	if _, err := a.c.SettleFor(99, false); !errors.Is(err, mapfile.ErrUnknown) {
		t.Errorf("SettleFor(99, false) = %v; want ErrUnknown", err)
	}
}

// thirdDrive gives 100 as b has it, 110 as the image has it, and 120 as nobody
// has it.
func thirdDrive() *devicetest.Fake {
	return devicetest.NewFake(256, devicetest.Options{Info: device.Info{Node: "/dev/third", Medium: "third"},
		Content: func(a sector.LBA, buf []byte) {
			devicetest.Pattern(a, buf)
			switch a {
			case 100:
				copy(buf[8:], "other bytes of b")
			case 120:
				copy(buf[8:], "other bytes of x")
			}
		}})
}

func settling(drive *devicetest.Fake) Reading {
	r := reading(drive)
	r.Settle, r.SameDisc = true, true
	return r
}

// A third reading decides for the side that comes again; what comes otherwise is
// a further side. Only sectors in conflict are asked for.
func TestSettleByReading(t *testing.T) {
	a := disputed(t)
	passes := len(a.c.m.Passes())
	drive := thirdDrive()
	end, err := a.c.Read(t.Context(), settling(drive))
	if err != nil || end.How != HowComplete {
		t.Fatalf("Read() = %+v, %v; want complete, nil", end, err)
	}
	a.close(a.c)
	for at, want := range map[sector.LBA]string{100: "b", 110: "disc", 120: "disc"} {
		if got := a.holds(at); got != want {
			t.Errorf("the image has %s at %d; want %s", got, at, want)
		}
	}
	all := a.c.m.Conflicts()
	if len(all) != 2 || all[0].At != 120 || all[1].At != 120 || all[1].OtherPass != passes {
		t.Errorf("Conflicts() = %+v; want two at 120, the further side of pass %d", all, passes)
	}
	for _, r := range drive.Requests() {
		if disputed := sector.Of(span(100, 1), span(110, 1), span(120, 1)); !disputed.Covers(r.Range) {
			t.Errorf("%v was asked for; want sectors in conflict only", r.Range)
		}
	}
	if got := a.c.m.Won(passes); got != 0 {
		t.Errorf("the pass won %d sectors; want 0: it brought nothing new", got)
	}
	// The same again decides for the side that came twice.
	drive = thirdDrive()
	if _, err := a.c.Read(t.Context(), settling(drive)); err != nil {
		t.Fatal(err)
	}
	a.close(a.c)
	if got := a.holds(120); got != "x" || len(a.c.m.Conflicts()) != 0 {
		t.Errorf("the image has %s at 120, %d conflicts are left; want x, 0", got, len(a.c.m.Conflicts()))
	}
	if _, by, _ := a.c.m.Sum(120); by != passes {
		t.Errorf("120 is of pass %d; want %d, the first that brought it", by, passes)
	}
	if _, err := a.c.Read(t.Context(), settling(drive)); !errors.Is(err, ErrNoConflict) {
		t.Errorf("Read() without conflicts = %v; want ErrNoConflict", err)
	}
}

// Sectors in conflict that lie where the drive shows no disc any more wait for
// another one; the others are settled.
func TestSettleWithoutTheEnd(t *testing.T) {
	const n = 256
	a := newStation(t, "a", n, nil, nil)
	odd := make([]byte, n*sector.Size)
	src := &Source{Name: "i", id: "/i", good: sector.Of(span(100, 1), span(250, 1)), disc: mapfile.Disc{Sectors: n},
		from: plainSupply{image: bytes.NewReader(odd)}}
	if _, err := a.c.Merge(t.Context(), merging(src)); err != nil {
		t.Fatal(err)
	}
	drive := devicetest.NewFake(n-75, devicetest.Options{Info: device.Info{Node: "/dev/sr0", Medium: "third"}})
	end, err := a.c.Read(t.Context(), settling(drive))
	if err != nil || end.How != HowComplete {
		t.Errorf("Read() = %+v, %v; want complete, nil", end, err)
	}
	a.close(a.c)
	if left, want := a.c.m.InConflict(), sector.Of(span(250, 1)); !left.Equal(&want) {
		t.Errorf("%v is left in conflict; want %v", left, want)
	}
}

// The block that tells the disc from others holds no sector that some drive gave
// otherwise: the disc would be refused in that drive.
func TestIdentityBlockIsUndisputed(t *testing.T) {
	const n = 64
	a := newStation(t, "a", n, nil, nil)
	b := newStation(t, "b", n, nil, []sector.LBA{20, 30, 40})
	src := b.source(t)
	src.m, src.good = nil, sector.Of(span(20, 1), span(30, 1), span(40, 1)) // too few to say that it is another disc
	if _, err := a.c.Merge(t.Context(), merging(src)); err != nil {
		t.Fatal(err)
	}
	if _, err := a.c.SettleFor(0, false); err != nil { // also once it is settled
		t.Fatal(err)
	}
	if got := identityBlock(a.c.m, 0); got != span(0, 16) && got != span(48, 16) {
		t.Errorf("identityBlock() = %v; want 0+16 or 48+16, the others hold disputed sectors", got)
	}
	again := devicetest.NewFake(n, devicetest.Options{Info: device.Info{Node: "/dev/b", Medium: "b"},
		Content: devicetest.Of(b.image)})
	if err := readIdentity(t.Context(), a.c.m, again, identityBlock(a.c.m, 0)); err != nil {
		t.Errorf("readIdentity(by the drive that differs) = %v; want nil", err)
	}
}

// How a drive fails while it settles: what came decides, the rest stays.
func TestSettleByFailingDrive(t *testing.T) {
	for _, test := range []struct {
		name string
		fail func(d *devicetest.Fake)
		how  string
		left int // conflicts
	}{
		{"a medium error", func(d *devicetest.Fake) { d.Fail(span(110, 1), device.Medium, devicetest.Always) }, HowComplete, 4},
		{"an input/output error", func(d *devicetest.Fake) { d.Fail(span(110, 1), device.Doubtful, devicetest.Always) }, HowComplete, 4},
		{"gone", func(d *devicetest.Fake) { d.GoneAt(span(110, 1)) }, HowGone, 3},
		{"stalled", func(d *devicetest.Fake) { d.Stall(span(110, 1), devicetest.Always) }, HowStalled, 3},
	} {
		a, drive := disputed(t), thirdDrive()
		test.fail(drive)
		end, err := a.c.Read(t.Context(), settling(drive))
		if err != nil || end.How != test.how {
			t.Errorf("%s: Read() = %+v, %v; want %s, nil", test.name, end, err, test.how)
		}
		a.close(a.c)
		if got := len(a.c.m.Conflicts()); got != test.left || a.holds(100) != "b" {
			t.Errorf("%s: %d conflicts are left, 100 is %s's; want %d, b", test.name, got, a.holds(100), test.left)
		}
	}
}

// The sweep over settling, by hand and by reading: stopped at each step, no
// sector is falsely good, no side of an open conflict is lost, and the same
// command in the end leads to the same.
func TestSettleStoppedAtEveryStep(t *testing.T) {
	ways := map[string]func(t *testing.T, a *station) error{
		"by hand": func(t *testing.T, a *station) error {
			for _, at := range []sector.LBA{100, 120} {
				for _, side := range sidesOf(a.c.m, at) {
					if _, err := a.c.SettleFor(side.OtherPass, false); err != nil {
						return err
					}
				}
			}
			return nil
		},
		"by reading": func(t *testing.T, a *station) error {
			_, err := a.c.Read(t.Context(), settling(thirdDrive()))
			if errors.Is(err, ErrNoConflict) {
				return nil
			}
			return err
		},
	}
	fresh := disputed(t)
	was, _, _ := fresh.c.m.Sum(100)
	for name, settle := range ways {
		for _, cut := range []bool{true, false} {
			t.Run(fmt.Sprintf("%s/cut=%v", name, cut), func(t *testing.T) {
				for step := 0; ; step++ {
					a := fresh.duplicate(t, uint64(step))
					a.step, a.failAt, a.cut = 0, step, cut
					err := settle(t, a)
					if a.step <= step {
						if err != nil || step < 7 {
							t.Fatalf("settling without a fault = %v, %d steps; want nil, more than 7", err, a.step)
						}
						return
					}
					if !errors.Is(err, errStep) {
						t.Errorf("step %d failed and the error is %v; want the injected one", step, err)
					}
					if left := len(a.c.m.Conflicts()); !cut && left > 0 && !errors.Is(err, ErrConflict) {
						t.Errorf("step %d failed with %d conflicts left and the error is %v; want an ErrConflict beside it", step, left, err)
					}
					// A decision waits as an untried sector for the next opening.
					waits := a.lastGood.Clone()
					now := goodOf(a.c.m)
					if lost := waits.Subtract(&now); cut {
						a.powerOn()
					} else {
						for r := range lost.Runs() {
							if r.First != 100 && r.First != 120 {
								t.Errorf("step %d: %v is not good any more", step, r)
							}
						}
						a.failAt = -1
						a.close(a.c)
					}
					a.lastGood = a.lastGood.Subtract(&lostWhileDecided)
					a.c = a.open(a.c.now)
					a.proveBothSides(100, was)
					if got := a.c.m.Count(mapfile.Good); got != 246 {
						t.Errorf("step %d: good = %d after opening again; want 246", step, got)
					}
					for range 3 { // a further side needs one more reading
						if err := settle(t, a); err != nil {
							t.Fatalf("step %d, going on: %v", step, err)
						}
					}
					a.close(a.c)
					if got := a.holds(100); got != "b" {
						t.Errorf("step %d: the image has %s at 100 in the end; want b", step, got)
					}
					if got := len(sidesOf(a.c.m, 100)) + len(sidesOf(a.c.m, 120)); got != 0 {
						t.Errorf("step %d: %d conflicts in the end; want 0", step, got)
					}
					if t.Failed() {
						return
					}
				}
			})
		}
	}
}

// proveBothSides proves that what a sector of the image held at first, whose
// checksum was was, is still there or durably beside it.
func (s *station) proveBothSides(a sector.LBA, was uint32) {
	s.t.Helper()
	if now, _, _ := s.c.m.Sum(a); now == was {
		return
	}
	by, ok := s.c.m.Brought(a, was)
	if p := s.kept.synced[keptAt{by, a}]; !ok || mapfile.Sum(p) != was {
		s.t.Errorf("what the image held at %d, of pass %d, is not kept", a, by)
	}
}

// lostWhileDecided is what may be untried for the time of a decision.
var lostWhileDecided = sector.Of(span(100, 1), span(120, 1))
