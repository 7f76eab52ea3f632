package imager

import (
	"bytes"
	"errors"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// keptMemory is what a cutDisk keeps beside its image. What is not synced
// survives a cut or not, as with the image.
type keptMemory struct {
	now, synced map[keptAt][]byte // by the program, and for sure
}

type keptAt struct {
	pass int
	at   sector.LBA
}

func (k *keptMemory) put(pass int, p []byte, at sector.LBA) {
	if k.now == nil {
		k.now, k.synced = map[keptAt][]byte{}, map[keptAt][]byte{}
	}
	for i := range len(p) / sector.Size {
		k.now[keptAt{pass, at + sector.LBA(i)}] = bytes.Clone(p[i*sector.Size:][:sector.Size])
	}
}

// dirty is what is not synced, in order.
func (k *keptMemory) dirty() []keptAt {
	var all []keptAt
	for at, p := range k.now {
		if !bytes.Equal(p, k.synced[at]) {
			all = append(all, at)
		}
	}
	slices.SortFunc(all, func(a, b keptAt) int {
		if a.pass != b.pass {
			return a.pass - b.pass
		}
		return int(a.at - b.at)
	})
	return all
}

// sync makes everything durable.
func (k *keptMemory) sync() {
	for at, p := range k.now {
		k.synced[at] = p
	}
}

// lose lets chance decide about every sector that is not synced.
func (k *keptMemory) lose(rnd *rand.Rand) {
	for _, at := range k.dirty() {
		switch old := k.synced[at]; {
		case rnd.IntN(2) == 0:
			k.synced[at] = k.now[at]
		case old == nil:
			delete(k.now, at)
		default:
			k.now[at] = old
		}
	}
}

func (d *cutDisk) readImage(p []byte, at sector.LBA) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.off {
		return errStep
	}
	copy(p, d.image[at.Offset():])
	return nil
}

func (d *cutDisk) writeKept(pass int, p []byte, at sector.LBA) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.off {
		return errStep
	}
	act, err := d.next()
	if !act {
		p = p[:d.rnd.IntN(len(p)/sector.Size+1)*sector.Size]
	}
	d.kept.put(pass, p, at)
	return err
}

func (d *cutDisk) readKept(pass int, p []byte, at sector.LBA) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.off {
		return errStep
	}
	for i := range len(p) / sector.Size {
		one, there := d.kept.now[keptAt{pass, at + sector.LBA(i)}]
		if !there {
			return fs.ErrNotExist
		}
		copy(p[i*sector.Size:], one)
	}
	return nil
}

// syncKept is a step only where there is something to sync.
func (d *cutDisk) syncKept() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.off {
		return errStep
	}
	if len(d.kept.dirty()) == 0 {
		return nil
	}
	act, err := d.next()
	if err != nil {
		d.kept.lose(d.rnd)
		return err
	}
	if act {
		d.kept.sync()
	}
	return nil
}

// proveKept proves that the other side of every conflict is kept, durably.
func (d *cutDisk) proveKept(m *mapfile.Map) {
	d.t.Helper()
	for _, c := range m.Conflicts() {
		if p := d.kept.synced[keptAt{c.OtherPass, c.At}]; mapfile.Sum(p) != c.Other {
			d.t.Fatalf("the other side of sector %d, of pass %d, is not kept", c.At, c.OtherPass)
		}
	}
	for _, c := range m.Choices() {
		if p := d.kept.synced[keptAt{c.Pass, c.At}]; mapfile.Sum(p) != c.Sum {
			d.t.Fatalf("sector %d was decided for pass %d, which is not kept", c.At, c.Pass)
		}
	}
}

// What is kept of a pass lies in its own file, sparse, readable by its owner
// only, each sector at its own place.
func TestKeeperWrites(t *testing.T) {
	dir := t.TempDir()
	one, two := bytes.Repeat([]byte{1}, sector.Size), bytes.Repeat([]byte{2}, 2*sector.Size)
	var k keeper
	for _, w := range []struct {
		pass int
		p    []byte
		at   sector.LBA
	}{{3, one, 1000}, {3, two, 20}, {0, one, 0}} {
		if err := k.write(dir, w.pass, w.p, w.at); err != nil {
			t.Fatal(err)
		}
	}
	if err := k.sync(dir); err != nil {
		t.Fatal(err)
	}
	if err := k.write(dir, 3, two, 500); err != nil { // again after a sync
		t.Fatal(err)
	}
	if err := k.sync(dir); err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 2*sector.Size)
	if err := readKept(dir, 3, buf, 500); err != nil || !bytes.Equal(buf, two) {
		t.Errorf("readKept(pass 3, 500+2) = %x..., %v; want 2s", buf[:4], err)
	}
	if err := readKept(dir, 3, buf[:sector.Size], 1000); err != nil || !bytes.Equal(buf[:sector.Size], one) {
		t.Errorf("readKept(pass 3, 1000) = %x..., %v; want 1s", buf[:4], err)
	}
	if err := readKept(dir, 3, buf, 1000); err == nil {
		t.Error("readKept(pass 3, 1000+2) = nil; want an error, the file ends there")
	}
	if err := readKept(dir, 1, buf, 0); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("readKept(pass 1) = %v; want fs.ErrNotExist", err)
	}
	for name, want := range map[string]fs.FileMode{"": 0o700 | fs.ModeDir, "pass-0.iso": 0o600, "pass-3.iso": 0o600} {
		info, err := os.Stat(filepath.Join(dir, keptName, name))
		if err != nil || info.Mode() != want {
			t.Errorf("%s/%s has mode %v, %v; want %v", keptName, name, info.Mode(), err, want)
		}
	}
}
