package imager

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"turnstone/device/devicetest"
	"turnstone/device/sector"
	"turnstone/mapfile"
)

// noCommit is a disk that takes no commit.
type noCommit struct{ disk }

func (noCommit) commit(*mapfile.Map) error { return errStep }

// Rotten sectors become untried and read as zeros; stopped half-way, the next
// check finds them again, so that nothing rotten stays behind unseen.
func TestTakeBackRotten(t *testing.T) {
	const n = 64
	c := made(t, n)
	drive := devicetest.NewFake(n, devicetest.Options{})
	if _, err := c.Read(t.Context(), reading(drive)); err != nil {
		t.Fatal(err)
	}
	c.Close()
	image := filepath.Join(c.Dir, imageName)
	f, err := os.OpenFile(image, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	want := sector.Of(sector.Span(20, 3))
	f.WriteAt(bytes.Repeat([]byte("rot "), 3*sector.Size/4), 20*sector.Size)

	if _, err := Open(c.Dir, Writer{Now: clock}); !errors.Is(err, ErrRotten) || !errors.Is(err, ErrImage) {
		t.Errorf("Open(a case with rotten sectors) = %v; want ErrRotten, which is an ErrImage", err)
	}
	for _, stopped := range []bool{true, false} {
		res, err := Check(c.Dir, true)
		if err != nil || !res.Rotten.Equal(&want) {
			t.Fatalf("Check() = %v rotten, %v; want %v", res.Rotten, err, want)
		}
		c, err := OpenUnproven(c.Dir, Writer{Now: clock})
		if err != nil {
			t.Fatal(err)
		}
		real := c.disk
		if stopped {
			c.disk = noCommit{real}
		}
		if err := c.TakeBackRotten(res.Losses); errors.Is(err, errStep) != stopped || !stopped && err != nil {
			t.Fatalf("TakeBackRotten() = %v; stopped %v", err, stopped)
		}
		c.Close()
	}
	if res, err := Check(c.Dir, true); err != nil || len(res.Problems) > 0 {
		t.Errorf("Check() = %q, %v in the end; want no problem", res.Problems, err)
	}
	got := make([]byte, 3*sector.Size)
	if _, err := f.ReadAt(got, 20*sector.Size); err != nil || !bytes.Equal(got, make([]byte, len(got))) {
		t.Errorf("the rotten sectors do not read as zeros in the end (%v)", err)
	}
	status, err := os.ReadFile(filepath.Join(c.Dir, statusName))
	if err != nil || !strings.Contains(string(status), `"untried": 3`) {
		t.Errorf("%s = %s, %v; want 3 untried", statusName, status, err)
	}
}

// What lay beyond the end of an image that was cut off becomes untried, in the map
// first: stopped anywhere, the case is never taken for whole. The image gets its
// length again, and the sector that was cut in two reads as zeros.
func TestTakeBackCutOff(t *testing.T) {
	const n, left = 64, 40
	c := made(t, n)
	drive := devicetest.NewFake(n, devicetest.Options{})
	if _, err := c.Read(t.Context(), reading(drive)); err != nil {
		t.Fatal(err)
	}
	c.Close()
	image := filepath.Join(c.Dir, imageName)
	if err := os.Truncate(image, left*sector.Size+100); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(c.Dir, Writer{Now: clock}); !errors.Is(err, ErrShort) || !errors.Is(err, ErrImage) {
		t.Errorf("Open(a case with a short image) = %v; want ErrShort, which is an ErrImage", err)
	}
	for _, stopped := range []string{"before the map", "after the map", ""} {
		c, err := OpenUnproven(c.Dir, Writer{Now: clock})
		if err != nil {
			t.Fatal(err)
		}
		real := c.disk
		switch stopped {
		case "before the map":
			c.disk = noCommit{real}
		case "after the map":
			c.f.Close()
			if c.f, err = os.Open(image); err != nil { // no length can be set
				t.Fatal(err)
			}
		}
		want := sector.Of(span(left, n-left))
		lost, cut, err := c.TakeBackCutOff()
		var of sector.Set
		for _, l := range lost {
			of.Add(l.Range)
		}
		if !cut || (err != nil) != (stopped != "") || stopped == "" && !of.Empty() || stopped == "before the map" && !of.Equal(&want) {
			t.Errorf("stopped %q: TakeBackCutOff() = %v, %v, %v", stopped, lost, cut, err)
		}
		c.Close()
		again, err := Open(c.Dir, Writer{Now: clock})
		if errors.Is(err, ErrShort) != (stopped != "") {
			t.Errorf("stopped %q: Open() = %v; want ErrShort until all is done", stopped, err)
		}
		if err == nil {
			again.Close()
		}
	}
	if res, err := Check(c.Dir, true); err != nil || len(res.Problems) > 0 || res.Compared != left {
		t.Errorf("Check() = %+v, %v in the end; want no problem, %d compared", res, err, left)
	}
	b, err := os.ReadFile(image)
	if err != nil || len(b) != n*sector.Size || !bytes.Equal(b[left*sector.Size:], make([]byte, (n-left)*sector.Size)) {
		t.Errorf("the image has %d bytes, %v; want %d, zeros where it was cut off", len(b), err, n*sector.Size)
	}
	if got := len(eventsOf(t, filepath.Join(c.Dir, mapName), KindRotten)); got != 1 {
		t.Errorf("%d events; want 1", got)
	}
}

// A checkpoint that readers of the map have put off is due again, also when
// nothing came since: a drive may hang for a minute, and the power fail in it.
func TestPutOffIsTriedAgain(t *testing.T) {
	s := saver{rhythm: rhythm{every: 5 * time.Second, bytes: 1 << 20}, last: epochTime}
	later := epochTime.Add(6 * time.Second)
	if s.due(later, &epoch{}) {
		t.Error("due(nothing came) = true; want false")
	}
	s.took(saved{err: mapfile.ErrBusy})
	if !s.due(later, &epoch{}) {
		t.Error("due(nothing came since one was put off) = false; want true")
	}
	if s.due(epochTime.Add(time.Second), &epoch{}) {
		t.Error("due(at once) = true; want that readers are given time")
	}
	s.took(saved{})
	if s.due(later, &epoch{}) {
		t.Error("due(nothing came since it was made up for) = true; want false")
	}
}

// fullDisk has room for so many bytes of the image, and for the map only while
// the image leaves some.
type fullDisk struct {
	*cutDisk
	room int64
	used sector.Set
}

func (d *fullDisk) writeImage(p []byte, at sector.LBA) error {
	r := sector.Span(at, int64(len(p))/sector.Size)
	fits := min(r.Count(), d.room-d.used.Count())
	d.used.Add(sector.Span(at, fits))
	if err := d.cutDisk.writeImage(p[:fits*sector.Size], at); err != nil || fits == r.Count() {
		return err
	}
	return syscall.ENOSPC
}

func (d *fullDisk) clearImage(r sector.Range) error {
	d.used.Remove(r)
	return d.cutDisk.clearImage(r)
}

func (d *fullDisk) commit(m *mapfile.Map) error {
	if d.used.Count() == d.room {
		return syscall.ENOSPC
	}
	return d.cutDisk.commit(m)
}

// What came before the disk was full stays: what was written of the request that
// found it full gives way to the map.
func TestFullDiskKeepsWhatCame(t *testing.T) {
	const n = 1024
	drive := devicetest.NewFake(n, devicetest.Options{})
	d := newCutDisk(t, n, 1)
	c := d.open(drive.Now)
	full := &fullDisk{cutDisk: d, room: 300}
	c.disk = full
	r := reading(drive)
	r.CheckpointBytes = 1 << 40 // none before the end
	end, err := c.Read(t.Context(), r)
	if !errors.Is(err, syscall.ENOSPC) || end.How != HowError {
		t.Fatalf("Read() = %+v, %v; want an error, ENOSPC", end, err)
	}
	if got := c.m.Count(mapfile.Good); got < 300-128 || got >= 300 {
		t.Errorf("good = %d; want all that came but the last request, of 128 sectors at most", got)
	}
	full.room = n + 1
	drive.Restart()
	if end, err := c.Read(t.Context(), r); err != nil || end.How != HowComplete {
		t.Errorf("Read() with room = %+v, %v; want complete", end, err)
	}
	d.close(c)
}
