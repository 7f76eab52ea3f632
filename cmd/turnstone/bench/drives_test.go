package bench

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/imager"
)

// tray is a bench with one drive into which discs are put.
type tray struct {
	loading string // "" while it is empty
	name    string // what the disc tells of itself
	opened  atomic.Int32
}

func (d *tray) Look(context.Context, func(string) bool) []Drive {
	return []Drive{{Node: "/dev/fake", Name: "Invented drive", Disc: d.loading}}
}

func (d *tray) Open(context.Context, string, imager.Known) (device.Reader, error) {
	d.opened.Add(1)
	return devicetest.NewFake(64, devicetest.Options{Info: device.Info{Medium: d.name, Identity: map[string]string{device.Unique: d.name}}}), nil
}

// benchWith is a bench with such a drive, and a job for each disc that was read.
func benchWith(t *testing.T, d *tray, discs ...string) (*Bench, []string) {
	t.Helper()
	jobs := t.TempDir()
	b, err := New(t.Context(), Options{Cases: []string{jobs}, Drives: d, Speech: plainWords{}, Counsel: plainWords{}, Epoch: "E",
		Runs: imager.NewRuns(func() imager.Writer { return imager.Writer{Command: "test", CaseID: "x", Now: time.Now} })})
	if err != nil {
		t.Fatal(err)
	}
	var ids []string
	for i, name := range discs {
		d.loading, d.name = name, name
		b.lookAtDrives(t.Context())
		r, err := b.makeNew(order{Drive: idOf("/dev/fake")})
		if err != nil {
			t.Fatalf("disc %d: %v", i, err)
		}
		for _, run := range b.Runs.On(b.shelf.of(r.Case).dir) {
			run.Wait()
		}
		ids = append(ids, r.Case)
	}
	return b, ids
}

// A disc that is put in is known by what the drive tells of it; the drive is asked once
// for each loading.
func TestDiscsAreKnownAgain(t *testing.T) {
	d := &tray{}
	b, ids := benchWith(t, d, "wedding", "birthday")
	for _, c := range []struct {
		loading, name string
		same          []string
	}{{"3", "wedding", ids[:1]}, {"4", "birthday", ids[1:]}, {"5", "holiday", nil}} {
		d.loading, d.name = c.loading, c.name
		before := d.opened.Load()
		b.lookAtDrives(t.Context())
		b.lookAtDrives(t.Context())
		row := b.seen[0].row(b.Runs)
		if !slices.Equal(row.Same, c.same) || len(row.Like) > 0 || !row.Disc {
			t.Errorf("%s is the disc of %v, may be that of %v; want %v", c.name, row.Same, row.Like, c.same)
		}
		if n := d.opened.Load() - before; n != 1 {
			t.Errorf("%s: the drive was opened %d times; want once", c.name, n)
		}
	}
	d.loading = ""
	b.lookAtDrives(t.Context())
	if row := b.seen[0].row(b.Runs); row.Disc || row.Same != nil {
		t.Errorf("an empty drive is %+v; want no disc", row)
	}
}

// What is new is made, and what can't be had is refused in words, with nothing done.
func TestOrders(t *testing.T) {
	d := &tray{}
	b, ids := benchWith(t, d, "wedding")
	drive := idOf("/dev/fake")
	for _, c := range []struct {
		name string
		do   func(order) (reply, error)
		o    order
		want error
	}{
		{"no such case", b.read, order{Case: "NOTHERE2", Drive: drive}, errNoCase},
		{"no such drive", b.read, order{Case: ids[0], Drive: "/dev/sda"}, errNoDrive},
		{"a drive by its node", b.makeNew, order{Drive: "/dev/fake"}, errNoDrive},
		{"a name that is a path", b.makeNew, order{Drive: drive, Name: "../x"}, errName},
		{"files of another listing", b.want, order{Case: ids[0], List: 99, Files: []int{0}}, errList},
		{"files that are not there", b.want, order{Case: ids[0], Files: []int{-1}}, errList},
		{"an answer to nothing", b.answer, order{Case: ids[0], Question: 1, Yes: true}, errOver},
	} {
		if got, err := c.do(c.o); !errors.Is(err, c.want) {
			t.Errorf("%s = %+v, %v; want %v", c.name, got, err, c.want)
		}
	}
	if r, err := b.round(order{Case: ids[0], Treatment: "scrub hard"}); err == nil {
		t.Errorf("round(scrub hard) = %+v; want an error", r)
	}
	if r, err := b.round(order{Case: ids[0], Treatment: "sand 2000"}); err != nil || r.Ask == "" {
		t.Errorf("round(sand 2000) = %+v, %v; want a question first", r, err)
	}
	if r, err := b.round(order{Case: ids[0], Treatment: "sand 2000", Sure: true}); err != nil || r.Ask != "" || len(r.Cautions) == 0 {
		t.Errorf("round(sand 2000, sure) = %+v, %v; want it done, with cautions", r, err)
	}
	r, err := b.makeNew(order{Crack: "yes"}) // no drive is needed for a disc that is not spun
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.read(order{Case: r.Case, Drive: drive}); err != nil {
		t.Fatal(err)
	}
	c := b.shelf.of(r.Case)
	for _, run := range b.Runs.On(c.dir) {
		if _, err := run.Wait(); !errors.Is(err, imager.ErrCracked) {
			t.Errorf("a cracked disc is read: %v; want ErrCracked", err)
		}
	}
	m, err := imager.Load(b.shelf.of(ids[0]).dir)
	if err != nil || len(m.Rounds()) != 2 {
		t.Errorf("the case has %d rounds, %v; want 2", len(m.Rounds()), err)
	}
}

// A clock that jumps changes nothing of what is shown: what is new is told by what it
// is, not by when.
func TestClockJumps(t *testing.T) {
	d := &tray{}
	b, ids := benchWith(t, d, "wedding")
	c := b.shelf.of(ids[0])
	b.viewers[ids[0]] = 1
	for _, at := range []time.Time{time.Unix(0, 0), time.Now().Add(100 * 365 * 24 * time.Hour), time.Now()} {
		path := filepath.Join(c.dir, "status.json")
		if err := os.Chtimes(path, at, at); err != nil {
			t.Fatal(err)
		}
		b.paint()
		p, _ := b.ledger.since("", ids[0])
		if p.Set["job/"+ids[0]] == nil || p.Set["case/"+ids[0]+"/rounds"] == nil {
			t.Errorf("at %v the page is told %d entries; want the job and its rounds", at, len(p.Set))
		}
	}
	dk := newDesk(plainWords{}, c.dir)
	now := time.Now()
	for i, at := range []time.Time{now, now.Add(-time.Hour), now.Add(time.Hour)} {
		dk.Progress(imager.Progress{Time: at, Missing: int64(i)})
		if _, told, _, _, _ := dk.now(); told.Sentence != []string{"0 missing", "1 missing", "2 missing"}[i] {
			t.Errorf("after a jump of the clock the sentence is %q; want that of now", told.Sentence)
		}
	}
}

// All that a browser loads at first stays small.
func TestFirstLoadIsSmall(t *testing.T) {
	const most = 300_000 // bytes
	d := &tray{}
	b, ids := benchWith(t, d, "wedding")
	b.viewers[ids[0]] = 1
	b.paint()
	for { // the map is drawn beside it
		p, changed := b.ledger.since("", ids[0])
		if p.Set["case/"+ids[0]+"/map"] != nil {
			break
		}
		<-changed
	}
	var all int64
	entries, err := page.ReadDir("page")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		info, err := e.Info()
		if err != nil {
			t.Fatal(err)
		}
		all += info.Size()
	}
	p, _ := b.ledger.since("", ids[0])
	for _, value := range p.Set {
		all += int64(len(value))
	}
	c := b.shelf.of(ids[0])
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, svg := range c.detail.pictures {
		all += int64(len(svg))
	}
	if all > most || all < 10_000 {
		t.Errorf("a first load is %d bytes, nothing packed; want %d at most", all, most)
	}
	t.Logf("a first load is %d bytes, nothing packed", all)
}
