package imager

import (
	"bytes"
	"context"
	"errors"
	"testing"

	"turnstone/device"
	"turnstone/device/devicetest"
	"turnstone/device/sector"
	"turnstone/ecc/cd"
	"turnstone/mapfile"
)

// rawFake is a drive in memory that gives its disc's sectors raw, each time with another
// half of them wrong.
type rawFake struct {
	*devicetest.Fake
	content func(sector.LBA, []byte)
	times   int
}

func (d *rawFake) Info() device.Info {
	i := d.Fake.Info()
	i.Kind, i.BlockSectors = "cd", 1
	return i
}

// ReadRaw implements device.RawReader.
func (d *rawFake) ReadRaw(_ context.Context, r sector.Range) (device.Raw, error) {
	d.times++
	out := device.Raw{Mode: 1}
	for a := r.First; a < r.End; a++ {
		s := make([]byte, cd.Size)
		d.content(a, s[16:2064])
		if err := cd.Encode(s, cd.Mode1, int64(a)); err != nil {
			return out, err
		}
		c2 := make([]byte, device.C2Size)
		from := 100 + 1100*(d.times%2)
		for i := from; i < from+1100; i++ {
			s[i] ^= byte(i*7+d.times) | 1
			c2[i/8] |= 0x80 >> (i % 8)
		}
		out.Data, out.C2 = append(out.Data, s...), append(out.C2, c2...)
	}
	return out, nil
}

// Stopped at every step, what was put together is either in the image and called good,
// or put together again by the next pass: the end is that of a run without a cut.
func TestPutTogetherStoppedAtEveryStep(t *testing.T) {
	const n, bad = 64, 12
	drive := func(d *cutDisk) *rawFake {
		f := devicetest.NewFake(n, devicetest.Options{})
		f.Fail(sector.Span(20, bad), device.Medium, devicetest.Always)
		return &rawFake{Fake: f, content: d.content}
	}
	read := func(r *rawFake) Reading {
		return Reading{Reader: r, ToTheEnd: true, CheckpointBytes: 4 * sector.Size, CheckpointTime: 1 << 60}
	}
	finish := func(d *cutDisk, r *rawFake) *Case {
		for range 10 {
			r.Restart()
			c := d.open(r.Now)
			_, err := c.Read(t.Context(), read(r))
			d.close(c)
			if errors.Is(err, ErrNothingToAsk) {
				return c
			} else if err != nil {
				t.Fatal(err)
			}
		}
		t.Fatal("the reading does not come to an end")
		return nil
	}
	for _, cut := range []bool{true, false} {
		for step := 0; ; step++ {
			d := newCutDisk(t, n, uint64(step))
			r := drive(d)
			c := d.open(r.Now)
			d.step, d.failAt, d.cut = 0, step, cut
			_, err := c.Read(t.Context(), read(r))
			if d.step <= step {
				if err != nil || c.m.Count(mapfile.Good) != n || step < 8 {
					t.Fatalf("a run without a fault: %v, %d good, %d steps; want nil, %d", err, c.m.Count(mapfile.Good), d.step, n)
				}
				if repaired, readings := c.m.Repaired(0); repaired != bad || readings != 2 {
					t.Errorf("put together %d of %d readings; want %d of 2", repaired, readings, bad)
				}
				break
			}
			if err == nil {
				t.Errorf("step %d failed and Read() = nil; want the fault", step)
			}
			if cut {
				d.powerOn()
			} else {
				d.failAt = -1
			}
			c = finish(d, r)
			if good := c.m.Count(mapfile.Good); good != n {
				t.Errorf("cut %v at step %d: %d of %d are good in the end", cut, step, good, n)
			}
			want := make([]byte, sector.Size)
			for a := range sector.LBA(n) {
				if d.content(a, want); !bytes.Equal(d.image[a.Offset():][:sector.Size], want) {
					t.Fatalf("cut %v at step %d: sector %d is not what the disc holds", cut, step, a)
				}
			}
		}
	}
}
