package unit

import (
	"bytes"
	"context"
	"math/rand/v2"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/scsi"
	"turnstone/device/sector"
	"turnstone/device/sim"
)

// What a READ brings is what the simulated drive brings that is asked directly: the
// same sectors, the same bytes, the same reason, the same time.
func TestReadsAsTheSimulatedDrive(t *testing.T) {
	for _, needs := range []sim.Cure{sim.Waiting, sim.Reset, sim.Reload} {
		t.Run(string(needs), func(t *testing.T) {
			d := newDisc(t, "CHANCE", "0.1", "STALL", `, "needs": "`+string(needs)+`"`)
			h := loaded(t, Pressed(d, 0), Usual())
			direct, err := d.Open(sim.Opening{Start: h.Now()})
			if err != nil {
				t.Fatal(err)
			}
			rng := rand.New(rand.NewPCG(1, 2))
			seen := map[string]int{}
			at := sector.LBA(0)
			for range 1500 {
				switch rng.IntN(20) {
				case 0:
					at = sector.LBA(rng.Int64N(4800))
				case 1:
					n := uint8(1 + rng.IntN(5))
					h.selectRetries(n)
					direct.Set(t.Context(), device.Settings{Retries: &n})
				case 2:
					limit := 1000 + rng.IntN(25000)
					h.says(scsi.SetCDSpeed{Read: uint16(limit)}, "")
					direct.Set(t.Context(), device.Settings{SpeedKBps: limit})
				}
				r := sector.Span(at, 1+rng.Int64N(64))
				r.End = min(r.End, 4800)
				at = r.End % 4800
				a := ask(t, direct, r)
				var got Answer
				var b []byte
				if rng.IntN(2) == 0 {
					got, b = h.send(scsi.Read10{LBA: uint32(r.First), Blocks: uint16(r.Count()), FUA: true})
				} else {
					got, b = h.send(scsi.Read12{LBA: uint32(r.First), Blocks: uint32(r.Count())})
				}
				want := ""
				switch {
				case a.Err == nil:
				case a.Err.Class == device.Stalled:
					want, a.Data = "unheard", nil // what came before stays in the drive
				default:
					want = a.Err.Sense.String()
				}
				if got.Fate != Answered {
					b = nil
				}
				seen[want]++
				if code(got) != want || !bytes.Equal(b, a.Data) || h.Now() != direct.Now() {
					t.Fatalf("READ %v = %q with %d bytes at %v; the drive: %v, %d bytes, %v", r, code(got), len(b), h.Now(), a.Err, len(a.Data), direct.Now())
				}
				if last := h.last(); last.Range != r || last.Good != a.Good() || last.End-last.Start != a.Took {
					t.Fatalf("log has %+v; want %v with %d good in %v", last, r, a.Good(), a.Took)
				}
				if a.Err != nil && a.Err.Class != device.Stalled {
					if lba, ok := h.sense(got).LBA(); !ok || sector.LBA(lba) != a.Err.At {
						t.Fatalf("READ %v names %d, %v; want %d", r, lba, ok, a.Err.At)
					}
					at = min(a.Err.At/16*16+16, 4799)
				}
				if want == "unheard" {
					h.revive(t, direct, needs)
				}
			}
			for _, c := range []string{"", "3/11/05", "3/09/00", "unheard"} {
				if seen[c] < 5 {
					t.Errorf("READs ended %v; want some of %q", seen, c)
				}
			}
		})
	}
}

func ask(t *testing.T, v *sim.Drive, r sector.Range) device.Answer {
	t.Helper()
	if err := v.Ask(r); err != nil {
		t.Fatal(err)
	}
	a, err := v.Answer(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// revive gives both what a stalled drive needs, and settings of one kind again.
func (h *host) revive(t *testing.T, direct *sim.Drive, needs sim.Cure) {
	t.Helper()
	if needs != sim.Waiting {
		h.says(scsi.TestUnitReady{}, "unheard")
	}
	direct.Cure(needs)
	if err := direct.Reopen(context.Background()); err != nil {
		t.Fatal(err)
	}
	switch needs {
	case sim.Reset:
		h.Reset()
		h.says(scsi.TestUnitReady{}, "6/29/00")
	case sim.Reload:
		h.PowerCycle()
		h.says(scsi.TestUnitReady{}, "6/29/01")
		h.says(scsi.TestUnitReady{}, "2/04/01")
		h.Wait(spinUp)
		direct.Rest(spinUp)
		h.says(scsi.TestUnitReady{}, "6/28/00")
	}
	h.says(scsi.TestUnitReady{}, "")
}

// selectRetries sets the read retry count.
func (h *host) selectRetries(n uint8) {
	h.t.Helper()
	page, _, _ := h.Settings()
	page.ReadRetries = n
	if got := code(h.selects(page.Page())); got != "" {
		h.t.Fatalf("MODE SELECT of %d retries = %s; want it taken", n, got)
	}
}

// selects sends a page by MODE SELECT.
func (h *host) selects(p scsi.ModePage) Answer {
	h.t.Helper()
	c, list, err := scsi.SelectMode(p)
	if err != nil {
		h.t.Fatal(err)
	}
	return h.Do(c.Command().CDB(), list, h.patience)
}

// fates sorts the blocks of the disc by what a read of them gives, with one retry.
func fates(t *testing.T, d *sim.Disc) map[string][]sector.LBA {
	t.Helper()
	h := loaded(t, Pressed(d, 0), Usual())
	h.selectRetries(1)
	out := map[string][]sector.LBA{}
	for a := sector.LBA(0); a < 4800; a += 16 {
		got, _ := h.send(read10(a, 16))
		out[code(got)] = append(out[code(got)], a)
	}
	return out
}

// With TB the failing sector goes with the error, and with RC or streaming nothing
// fails but the track: what is not good is wrong, and what is good is where it belongs.
func TestDoubtfulReads(t *testing.T) {
	d := newDisc(t)
	bad := fates(t, d)["3/11/05"]
	if len(bad) < 5 {
		t.Fatalf("%d blocks fail; want more", len(bad))
	}
	plain, doubtful := loaded(t, Pressed(d, 0), Usual()), loaded(t, Pressed(d, 0), Usual())
	set := func(f scsi.RecoveryFlags) {
		page, _, _ := doubtful.Settings()
		page.Flags = scsi.ARRE | f
		if got := code(doubtful.selects(page.Page())); got != "" {
			t.Fatalf("MODE SELECT of flags %02X = %s; want it taken", f, got)
		}
	}
	set(scsi.TB)
	for _, a := range bad {
		want, b := plain.send(read10(a, 16))
		b = bytes.Clone(b)
		got, c := doubtful.send(read10(a, 16))
		if code(want) != code(got) || !bytes.Equal(got.Sense, want.Sense) {
			t.Fatalf("READ of block %d with TB = %q; want %q", a, code(got), code(want))
		}
		if extra := len(c) - len(b); code(got) != "" && (extra != sector.Size || !bytes.Equal(b, c[:len(b)])) {
			t.Errorf("READ of block %d with TB brings %d bytes more than without; want the failing sector", a, extra)
		}
	}
	clean := loaded(t, Pressed(clean(t), 0), Usual())
	for name, read := range map[string]scsi.Request{
		"RC":        scsi.Read10{LBA: uint32(bad[0]) - 16, Blocks: 64},
		"streaming": scsi.Read12{LBA: uint32(bad[0]) - 16, Blocks: 64, Streaming: true},
	} {
		set(map[string]scsi.RecoveryFlags{"RC": scsi.RC}[name])
		_, b := clean.says(read, "")
		b = bytes.Clone(b)
		a, c := doubtful.send(read)
		if code(a) != "" && code(a) != "3/09/00" || len(c) < 32*sector.Size {
			t.Fatalf("READ with %s = %q with %d bytes; want two blocks at least, and no more than a lost track", name, code(a), len(c))
		}
		good := doubtful.last().Good
		if good >= int64(len(c))/sector.Size || !bytes.Equal(b[:good*sector.Size], c[:good*sector.Size]) {
			t.Errorf("READ with %s: the log has %d of %d sectors good; want fewer, and these right", name, good, len(c)/sector.Size)
		}
	}
	if got := doubtful.last(); len(got.CDB) == 0 || got.Streaming != (got.Op() == scsi.OpRead12) {
		t.Errorf("log has %+v; want Streaming where it was asked for", got)
	}
}

func TestRecoveredErrorsAreToldWithPER(t *testing.T) {
	d := newDisc(t)
	silent, loud := loaded(t, Pressed(d, 0), Usual()), loaded(t, Pressed(d, 0), Usual())
	page, _, _ := loud.Settings()
	page.Flags |= scsi.PER
	loud.selects(page.Page())
	weak := 0
	for a := sector.LBA(0); a < 4800; a += 16 {
		want, b := silent.send(read10(a, 16))
		b = bytes.Clone(b)
		got, c := loud.send(read10(a, 16))
		if !bytes.Equal(b, c) {
			t.Fatalf("READ of block %d with PER brings other bytes", a)
		}
		if code(got) == "1/17/01" && code(want) == "" {
			weak++
		} else if code(got) != code(want) {
			t.Fatalf("READ of block %d with PER = %q; want %q or 1/17/01", a, code(got), code(want))
		}
	}
	if weak == 0 {
		t.Error("no recovered error was told; want some")
	}
}

func TestWhatARangeMayBe(t *testing.T) {
	d := clean(t)
	h := loaded(t, Pressed(d, 0), Usual())
	h.says(read10(4799, 1), "")
	h.says(read10(4800, 0), "")
	for _, test := range []struct {
		r    scsi.Request
		want string
	}{
		{read10(4799, 2), "5/21/00"}, {read10(4800, 1), "5/21/00"}, {read10(1<<32-1, 65535), "5/21/00"},
		{scsi.Read12{LBA: 0, Blocks: 1<<32 - 1}, "5/21/00"}, {scsi.Seek10{LBA: 4800}, "5/21/00"},
		{read10(0, 257), "5/24/00"}, {scsi.Read12{Blocks: 257}, "5/24/00"},
		{scsi.ReadCD{Blocks: 1, Main: scsi.UserData}, "5/64/00"}, // it is a DVD
	} {
		if a, b := h.says(test.r, test.want); len(b) != 0 {
			t.Errorf("%v brings %d bytes, residual %d; want none", test.r.Command(), len(b), a.Residual)
		}
	}
	// A host with less room than it asks for gets what fits.
	if a := h.raw(read10(0, 16).Command().CDB(), 5000); code(a) != "" || a.Residual != 0 {
		t.Errorf("READ of 16 blocks into 5000 bytes = %q, residual %d; want good and 0", code(a), a.Residual)
	}
	before := h.Now()
	h.says(scsi.Seek10{LBA: 2400}, "")
	if h.Now() == before {
		t.Error("SEEK(10) took no time")
	}
	if m := tells(h, scsi.MechanismStatus{Alloc: 8}, scsi.ParseMechanism); m.LBA != 2400 {
		t.Errorf("MECHANISM STATUS after SEEK(10) to 2400 = %+v; want it there", m)
	}
}

func TestHostThatHasNoPatience(t *testing.T) {
	d := newDisc(t)
	lost := fates(t, d)["3/09/00"]
	h := loaded(t, Pressed(d, 0), Usual())
	h.patience = time.Second // a lost track takes 3 to 9
	start := h.Now()
	h.says(read10(lost[0], 16), "unheard")
	if got := h.Now() - start; got != time.Second {
		t.Errorf("a READ with a second's patience took %v; want 1s", got)
	}
	h.patience = time.Minute
	h.says(scsi.TestUnitReady{}, "") // waits until the drive is done
	if got := h.Now() - start; got < 3*time.Second || got > 10*time.Second {
		t.Errorf("the drive answers %v after a lost track; want 3 to 9 s", got)
	}
}

func TestDriveWithoutFUA(t *testing.T) {
	m := Usual()
	m.NoFUA = true
	h := loaded(t, Pressed(clean(t), 0), m)
	h.says(scsi.Read10{Blocks: 1}, "")
	for _, r := range []scsi.Request{scsi.Read10{Blocks: 1, FUA: true}, scsi.Read12{Blocks: 1, FUA: true}} {
		a, _ := h.says(r, "5/24/00")
		if _, at, ok := h.sense(a).Field(); !ok || at != 1 {
			t.Errorf("%v refused at byte %d, %v; want 1", r.Command(), at, ok)
		}
	}
}
