package optical_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device"
	"turnstone/device/child"
	"turnstone/device/devicetest"
	"turnstone/device/optical"
	"turnstone/device/scsi"
	"turnstone/device/sector"
	"turnstone/device/sim"
	"turnstone/device/sim/simtest"
	"turnstone/device/sim/unit"
)

// These tests run the package against the simulated drive at command level: command
// blocks on one side, physics of a scratched disc on the other. No child process is
// between them, so that the drive's log can be read.

// machine is what a simulated drive hangs on: transport and host.
type machine struct {
	*unit.Unit
	node     string // by which it was opened
	limit    int
	seq      uint64 // of the disc; 0 where the kernel has no such number
	cantSet  error
	timeOuts int
	before   func(c scsi.Command)
}

// Do implements optical.Transport.
func (m *machine) Do(c scsi.Command, data []byte, timeout time.Duration) (optical.Result, error) {
	if m.before != nil {
		m.before(c)
	}
	if m.Gone() != "" {
		return optical.Result{}, unix.ENODEV
	}
	a := m.Unit.Do(c.CDB(), data, timeout)
	switch a.Fate {
	case unit.Unplugged:
		return optical.Result{Host: optical.HostNoConnect, Residual: len(data)}, nil
	case unit.Unheard:
		m.timeOuts++
		return optical.Result{Host: optical.HostTimeOut, Residual: len(data)}, nil
	}
	return optical.Result{Status: a.Status, Sense: a.Sense, Residual: a.Residual}, nil
}

func (m *machine) Close() error  { return nil }
func (m *machine) Limit() int    { return m.limit }
func (m *machine) CanSet() error { return m.cantSet }

func (m *machine) Gone() string {
	if m.Node() != m.node {
		return "removed"
	}
	return ""
}

func (m *machine) Sequence() (uint64, bool) { return m.seq, m.seq != 0 }

// The kernel's own questions are those of a test: a wait here asks nothing.
func (m *machine) Wait(d time.Duration) { m.Unit.Wait(d) }

// poll is what the kernel does when it looks at a drive: it takes whatever the drive
// has to tell, and another disc gets another number.
func (m *machine) poll() {
	for range 20 {
		a := m.Unit.Do(scsi.TestUnitReady{}.Command().CDB(), nil, 0)
		s, _ := scsi.ParseSense(a.Sense)
		switch {
		case a.Status == scsi.Good:
			return
		case s.Key == scsi.UnitAttention && s.ASC == 0x28 && m.seq != 0:
			m.seq++
		case s.Key == scsi.NotReadyKey:
			m.Unit.Wait(time.Second)
		}
	}
}

// scratched is a disc of 300 blocks, or more, with two scratches along its track.
const scratched = `{"name": "optical", "seed": 4, "disc": {"kind": "dvd", "sectors": SECTORS},
	"marks": [{"arc": {"r_mm": 24.03, "from_deg": 20, "to_deg": 80, "width_mm": 1, "depth_um": 8.2}},
		{"arc": {"r_mm": 23.95, "from_deg": 170, "to_deg": 185, "width_mm": 0.4, "depth_um": 60}}],
	"drives": [{"name": "A", "retries": 4, "min_retries": 1, "stall": {"chance": 0}}],
	"rounds": [{"treatments": []}]}`

const sectors = 4800

// disc is scratched with changes: pairs of old and new text.
func disc(t testing.TB, changes ...string) *sim.Disc {
	t.Helper()
	return simtest.Disc(t, strings.NewReplacer(append(changes, "SECTORS", fmt.Sprint(sectors))...).Replace(scratched))
}

// whole is the disc without its scratches.
func whole(t testing.TB, changes ...string) *sim.Disc {
	return disc(t, append(changes, `"r_mm": 24.03`, `"r_mm": 50`, `"r_mm": 23.95`, `"r_mm": 50`)...)
}

// simulated is a machine with a drive and a disc in it, which the kernel has seen.
func simulated(t testing.TB, m *unit.Medium, k unit.Make) *machine {
	t.Helper()
	u, err := unit.New(m.Disc.Scenario(), "A", "/dev/sim0", k)
	if err != nil {
		t.Fatal(err)
	}
	if err := u.Insert(m); err != nil {
		t.Fatal(err)
	}
	u.Wait(time.Minute)
	h := &machine{Unit: u, node: u.Node(), limit: 60 * sector.Size, seq: 1}
	h.poll()
	// The event is taken as well, as udev does.
	u.Do(scsi.GetEventStatus{Polled: true, Classes: scsi.MediaClass, Alloc: 8}.Command().CDB(), make([]byte, 8), 0)
	u.ClearLog()
	return h
}

// reader is an attached drive as a device.Reader, without a child.
type reader struct {
	m *machine
	o optical.Options

	mu      sync.Mutex
	backend child.Backend
	info    device.Info
	waiting []sector.Range
	closed  bool
	last    bool
}

func attach(t testing.TB, m *machine, o optical.Options) *reader {
	t.Helper()
	r := &reader{m: m, o: o}
	if err := r.attach(); err != nil {
		t.Fatalf("Attach() = %v; want nil", err)
	}
	return r
}

func (r *reader) attach() error {
	r.o.Node, r.o.Stall = r.m.node, 30*time.Second
	b, info, err := optical.Attach(r.m, r.m, r.o)
	if err == nil {
		r.backend, r.info = b, info
	}
	return err
}

func (r *reader) Info() device.Info { return r.info }

func (r *reader) Ask(s sector.Range) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed || r.last {
		return device.ErrClosed
	}
	if err := r.info.Check(s); err != nil {
		return err
	}
	if len(r.waiting) == r.info.Depth {
		return device.ErrFull
	}
	r.waiting = append(r.waiting, s)
	return nil
}

func (r *reader) Answer(ctx context.Context) (device.Answer, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	switch {
	case r.closed:
		return device.Answer{}, device.ErrClosed
	case len(r.waiting) == 0:
		return device.Answer{}, device.ErrIdle
	case ctx.Err() != nil:
		return device.Answer{}, ctx.Err()
	}
	s := r.waiting[0]
	r.waiting = r.waiting[1:]
	buf := make([]byte, s.Bytes())
	began := r.m.Now()
	a := child.Read(r.backend, s, buf)
	a.Took = r.m.Now() - began
	if a.Err != nil {
		a.Err.Drive = r.info.Name()
		if a.Err.Last() {
			r.last, r.waiting = true, nil
		}
	}
	return a, nil
}

func (r *reader) Close() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return nil
	}
	r.closed, r.waiting = true, nil
	return r.backend.Close()
}

func (r *reader) Reopen(context.Context) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.closed {
		return device.ErrClosed
	}
	r.waiting, r.last = nil, true
	if err := errors.Join(r.backend.Close(), r.attach()); err != nil {
		return err
	}
	r.last = false
	return nil
}

// read asks for a range and takes the answer.
func (r *reader) read(t testing.TB, s sector.Range) device.Answer {
	t.Helper()
	if err := r.Ask(s); err != nil {
		t.Fatalf("Ask(%v) = %v; want nil", s, err)
	}
	a, err := r.Answer(context.Background())
	if err != nil {
		t.Fatalf("Answer() = %v; want the answer to %v", err, s)
	}
	return a
}

// set gives settings, as the parent would.
func (r *reader) set(s device.Settings) error {
	b, _ := json.Marshal(s) // it can't fail
	_, err := r.backend.Call("set", b)
	return err
}

// own is the drive's own settings, and restore gives them back.
func (r *reader) own(t testing.TB) []byte {
	t.Helper()
	b, err := r.backend.Call("own settings", nil)
	if err != nil {
		t.Fatalf("own settings = %v; want nil", err)
	}
	return b
}

func (r *reader) restore(own []byte) error {
	_, err := r.backend.Call("restore", own)
	return err
}

// imageOf is what lies on a disc.
func imageOf(t testing.TB, d *sim.Disc) []byte {
	t.Helper()
	v, err := d.Open(sim.Opening{})
	if err != nil {
		t.Fatal(err)
	}
	var b []byte
	for n := int64(0); n < d.Scenario().Sectors; n += 64 {
		if err := v.Ask(sector.Span(sector.LBA(n), min(64, d.Scenario().Sectors-n))); err != nil {
			t.Fatal(err)
		}
		a, err := v.Answer(t.Context())
		if err != nil || a.Err != nil {
			t.Fatal(err, a.Err)
		}
		b = append(b, a.Data...)
	}
	return b
}

// Drives that fail the same way each time: one without noise that loses no track, and
// one that loses it or reads. Their scratch leaves the start of the disc alone.
var surely = map[device.Class]string{
	device.Medium: `"noise": 0.0001, "servo_margin": 0, "max_x": 2, "partial": false, `,
	device.Track:  `"margin": 0, "servo_margin": 0.4, `,
}

var further = []string{`"r_mm": 24.03, "from_deg": 20, "to_deg": 80, "width_mm": 1, "depth_um": 8.2`,
	`"r_mm": 24.31, "from_deg": 20, "to_deg": 80, "width_mm": 0.6, "depth_um": 60`, `"r_mm": 23.95`, `"r_mm": 50`}

func TestConformsOverASimulatedDisc(t *testing.T) {
	image := imageOf(t, whole(t))
	for class, drive := range surely {
		t.Run(class.String(), func(t *testing.T) {
			d := disc(t, append(further, `"retries": 4`, drive+`"retries": 4`)...)
			var bad []devicetest.Bad
			for b := range d.Scenario().Blocks() {
				block := sector.Span(sector.LBA(b*16), 16)
				c := d.AppendChances(nil, 0, b)[0]
				switch n := len(bad); {
				case c.Slow == 1:
				case c.Slow != 0 || c.Lost != (class == device.Track):
					t.Fatalf("block %d has the chances %+v; want 1 or none", b, c)
				case n > 0 && bad[n-1].Range.End == block.First:
					bad[n-1].Range.End = block.End
				default:
					bad = append(bad, devicetest.Bad{Range: block, Class: class})
				}
			}
			if len(bad) < 20 {
				t.Fatalf("%d places are bad; want more", len(bad))
			}
			m := simulated(t, unit.Pressed(d, 0), unit.Usual())
			devicetest.Run(t, func(t *testing.T) device.Reader {
				r := attach(t, m, optical.Options{})
				t.Cleanup(func() { r.Close() })
				return r
			}, devicetest.Disc{Content: devicetest.Of(image), Bad: bad})
		})
	}
}

// Asked through command blocks, a disc gives what its drive gives: the same sectors
// for the same reason, in the same time.
func TestReadsWhatTheSimulatedDriveReads(t *testing.T) {
	d := disc(t)
	m := simulated(t, unit.Pressed(d, 0), unit.Usual())
	r := attach(t, m, optical.Options{})
	direct, err := d.Open(sim.Opening{Start: m.Now()})
	if err != nil {
		t.Fatal(err)
	}
	if want := direct.Info(); r.info.Sectors != want.Sectors || r.info.BlockSectors != want.BlockSectors || r.info.Kind != want.Kind ||
		!slices.Equal(r.info.Layers, want.Layers) || r.info.Serial != want.Serial || r.info.MaxSectors != 48 || r.info.Medium == "" || r.info.Retries == nil {
		t.Errorf("Info() = %+v; the simulated drive's: %+v", r.info, want)
	}
	classes := map[device.Class]int{}
	for at, n := sector.LBA(0), int64(0); at < sectors; at, n = at+16, n+1 {
		retries := uint8(1 + n%3)
		for _, e := range []error{r.set(device.Settings{Retries: &retries}), direct.Set(t.Context(), device.Settings{Retries: &retries})} {
			if e != nil {
				t.Fatal(e)
			}
		}
		s := sector.Span(at, 16*(1+n%3))
		s.End = min(s.End, sectors)
		got := r.read(t, s)
		direct.Ask(s)
		want, err := direct.Answer(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got.Data, want.Data) || (got.Err == nil) != (want.Err == nil) || m.Now() != direct.Now() {
			t.Fatalf("read %v: %d sectors, %v, at %v; the simulated drive: %d, %v, %v", s, got.Good(), got.Err, m.Now(), want.Good(), want.Err, direct.Now())
		}
		if want.Err != nil {
			if got.Err.Class != want.Err.Class || got.Err.At != want.Err.At || got.Err.Sense != want.Err.Sense {
				t.Fatalf("read %v = %v; the simulated drive: %v", s, got.Err, want.Err)
			}
			classes[got.Err.Class]++
		}
	}
	if classes[device.Medium] < 20 || classes[device.Track] < 20 {
		t.Errorf("failures by class: %v; want 20 of each", classes)
	}
}

// A pass over 1,000 failing blocks and more: one READ for each at each setting, the
// good ones once in all.
func TestOneReadForEachFailingBlock(t *testing.T) {
	const size = 48000
	d := disc(t, "SECTORS", fmt.Sprint(size), `"r_mm": 24.03, "from_deg": 20, "to_deg": 80, "width_mm": 1, "depth_um": 8.2`,
		`"r_mm": 24.9, "from_deg": 20, "to_deg": 80, "width_mm": 1.2, "depth_um": 60`, `"retries": 4`, strings.Replace(surely[device.Medium], "false", "true", 1)+`"retries": 4`)
	var chances []float64 // of each block; next to none lies between 0 and 1
	blocks := 0
	for b := range d.Scenario().Blocks() {
		chances = append(chances, d.AppendChances(nil, 0, b)[0].Slow)
		if chances[b] == 0 {
			blocks++
		}
	}
	if blocks < 1000 {
		t.Fatalf("%d blocks fail; want 1000", blocks)
	}
	m := simulated(t, unit.Pressed(d, 0), unit.Usual())
	r := attach(t, m, optical.Options{})
	own := r.own(t)
	todo := sector.Of(sector.Span(0, size))
	asked := make([]uint8, size)
	for pass, retries := range []uint8{1, 16} {
		if err := r.set(device.Settings{Retries: &retries, SpeedKBps: 16 * 1385}); err != nil {
			t.Fatal(err)
		}
		m.ClearLog()
		left := sector.Set{}
		for s := range todo.Runs() {
			for at := s.First; at < s.End; {
				q := sector.Range{First: at, End: min(at+48, s.End)}
				a := r.read(t, q)
				if at += sector.LBA(a.Good()); a.Err == nil {
					continue
				}
				if a.Err.Class != device.Medium || a.Err.At != at {
					t.Fatalf("read %v = %v; want a medium error at %d", q, a.Err, at)
				}
				block := sector.Span(at, 1).Blocks(16)
				left.Add(sector.Range{First: at, End: block.End})
				at = block.End
			}
		}
		failed := map[sector.LBA]int{}
		for _, e := range m.Log() {
			if e.Range.Empty() {
				continue
			}
			if e.Recovery.ReadRetries != retries || e.FUA != (pass > 0) || e.Streaming {
				t.Fatalf("pass %d sends %+v; want %d retries, FUA %v", pass, e, retries, pass > 0)
			}
			for a := e.Range.First; a < e.Range.First+sector.LBA(e.Good); a++ {
				if asked[a]++; asked[a] > 1 {
					t.Fatalf("sector %d came %d times; want once", a, asked[a])
				}
			}
			if e.Status == scsi.CheckCondition {
				failed[(e.Range.First+sector.LBA(e.Good))/16]++
			}
		}
		for b, chance := range chances {
			if n := failed[sector.LBA(b)]; n > 1 || chance == 0 && n == 0 || chance == 1 && n > 0 {
				t.Errorf("pass %d: %d READs fail in block %d, whose chance is %g; want one where it is below 1", pass, n, b, chance)
			}
		}
		t.Logf("pass %d, %d retries: %d failing blocks, one READ each, of %d commands", pass, retries, len(failed), len(m.Log()))
		todo = left
	}
	if err := r.restore(own); err != nil {
		t.Errorf("restore = %v; want nil", err)
	}
	if page, limit, isOwn := m.Settings(); !isOwn {
		t.Errorf("settings after the passes: %+v, cap %d; want the drive's own", page, limit)
	}
}
