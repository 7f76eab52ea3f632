package unit

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"turnstone/device/scsi"
	"turnstone/device/sector"
	"turnstone/device/sim"
	"turnstone/device/sim/simtest"
)

// A disc of 300 blocks with two scratches along the track: blocks that come,
// that come sometimes, that do not, and where the track is lost. All of it invented.
const scratched = `{"name": "unit", "seed": 9, "disc": {"kind": "dvd", "sectors": 4800 LAYERS},
	"marks": [{"arc": {"r_mm": 24.03, "from_deg": 20, "to_deg": 80, "width_mm": 1, "depth_um": 8.2}},
		{"arc": {"r_mm": 23.95, "from_deg": 170, "to_deg": 185, "width_mm": 0.4, "depth_um": 60}}],
	"drives": [{"name": "A", "partial": true, "retries": 4, "min_retries": 1, "stall": {"chance": CHANCE, "min_s": 40, "max_s": 90 STALL}}],
	"rounds": [{"treatments": []}]}`

// newDisc is a disc of scratched, with the changes made: pairs of old and new text.
func newDisc(t testing.TB, changes ...string) *sim.Disc {
	t.Helper()
	changes = append(changes, "LAYERS", "", "CHANCE", "0", "STALL", "")
	return simtest.Disc(t, strings.NewReplacer(changes...).Replace(scratched))
}

// clean takes all marks off.
func clean(t testing.TB, changes ...string) *sim.Disc {
	return newDisc(t, append(changes, `"r_mm": 24.03`, `"r_mm": 50`, `"r_mm": 23.95`, `"r_mm": 50`)...)
}

// host is what a test sends commands through.
type host struct {
	*Unit
	t        testing.TB
	data     []byte
	patience time.Duration
}

// newHost is a drive with nothing in it, and nothing to tell.
func newHost(t testing.TB, s *sim.Scenario, m Make) *host {
	t.Helper()
	u, err := New(s, "A", "/dev/sim0", m)
	if err != nil {
		t.Fatal(err)
	}
	h := &host{Unit: u, t: t, data: make([]byte, 256*sector.Size)}
	h.says(scsi.TestUnitReady{}, "6/29/01")
	return h
}

// loaded is a drive in which a disc is ready, with nothing to tell.
func loaded(t testing.TB, m *Medium, k Make) *host {
	t.Helper()
	h := newHost(t, m.Disc.Scenario(), k)
	h.load(m)
	return h
}

// load puts a disc in and waits until it is ready.
func (h *host) load(m *Medium) {
	h.t.Helper()
	if err := h.Insert(m); err != nil {
		h.t.Fatal(err)
	}
	h.Wait(time.Minute)
	h.says(scsi.TestUnitReady{}, "6/28/00")
	h.says(scsi.GetEventStatus{Polled: true, Classes: scsi.MediaClass, Alloc: 8}, "")
}

// raw sends a block as it stands, with so many bytes of data.
func (h *host) raw(cdb []byte, n int) Answer { return h.Do(cdb, h.data[:n], h.patience) }

// send sends a request with as much room as it wants.
func (h *host) send(r scsi.Request) (Answer, []byte) {
	n := int(min(r.Command().Len(), int64(len(h.data))))
	a := h.raw(r.Command().CDB(), n)
	return a, h.data[:n-a.Residual]
}

// code is how an answer ended, in the trade's form; "" for good.
func code(a Answer) string {
	switch {
	case a.Fate == Unheard:
		return "unheard"
	case a.Fate == Unplugged:
		return "unplugged"
	case a.Status == scsi.CheckCondition:
		s, err := scsi.ParseSense(a.Sense)
		if err != nil {
			return err.Error()
		}
		return s.Code()
	case a.Status != scsi.Good:
		return fmt.Sprintf("status %02Xh", uint8(a.Status))
	}
	return ""
}

// says sends a request and fails the test unless it ends so; "" is good.
func (h *host) says(r scsi.Request, want string) (Answer, []byte) {
	h.t.Helper()
	a, b := h.send(r)
	if got := code(a); got != want {
		h.t.Fatalf("%v = %q; want %q", r.Command(), got, want)
	}
	return a, b
}

// sense is the sense data of an answer.
func (h *host) sense(a Answer) scsi.Sense {
	h.t.Helper()
	s, err := scsi.ParseSense(a.Sense)
	if err != nil {
		h.t.Fatalf("sense data % X: %v", a.Sense, err)
	}
	return s
}

// tells sends a request and parses its response.
func tells[T any](h *host, r scsi.Request, parse func([]byte) (T, error)) T {
	h.t.Helper()
	_, b := h.says(r, "")
	v, err := parse(b)
	if err != nil {
		h.t.Fatalf("%v: %v", r.Command(), err)
	}
	return v
}

func read10(first sector.LBA, n uint16) scsi.Read10 {
	return scsi.Read10{LBA: uint32(first), Blocks: n}
}

// last is the log's last entry.
func (h *host) last() Entry { return h.log[len(h.log)-1] }
