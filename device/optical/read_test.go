package optical

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"turnstone/device"
	"turnstone/device/child"
	"turnstone/device/devicetest"
	"turnstone/device/scsi"
	"turnstone/device/sector"
)

// readOf has the drive read r into memory full of another sector's data, and holds
// what counts as good against the disc.
func readOf(t testing.TB, d *opened, r sector.Range) child.Outcome {
	t.Helper()
	buf := make([]byte, r.Bytes())
	for b := buf; len(b) > 0; b = b[sector.Size:] {
		devicetest.Pattern(77, b[:sector.Size])
	}
	a := child.Read(d, r, buf)
	out := child.Outcome{Good: a.Good(), Weak: len(a.Weak) > 0, Err: a.Err}
	want := make([]byte, sector.Size)
	for i := range out.Good {
		devicetest.Pattern(r.First+sector.LBA(i), want)
		if !bytes.Equal(buf[i*sector.Size:][:sector.Size], want) {
			t.Fatalf("Read(%v): sector %d counts as good with other bytes than the disc's", r, r.First+sector.LBA(i))
		}
	}
	if (out.Err == nil) != (out.Good == r.Count()) {
		t.Fatalf("Read(%v) = %d good, %v; want all of it or an error", r, out.Good, out.Err)
	}
	return out
}

// What each code of a failed READ means for its 48 sectors from 96 on, of which the
// drive names 110, and how often the drive was asked. Codes and names are SPC's; each
// class is the one of device that says what the code says of the sectors.
func TestFailures(t *testing.T) {
	sense := func(k scsi.Key, asc, ascq uint8) scsi.Sense { return at(scsi.Sense{Key: k, ASC: asc, ASCQ: ascq}, 110) }
	for _, test := range []struct {
		sense scsi.Sense
		class device.Class
		good  int64
		reads int
		words string
	}{
		{sense(3, 0x11, 0x00), device.Medium, 14, 1, "unrecovered read error"},
		{sense(3, 0x11, 0x05), device.Medium, 14, 1, "L-EC uncorrectable error"},
		{sense(3, 0x11, 0x06), device.Medium, 14, 1, "CIRC"},
		{sense(3, 0x10, 0x00), device.Medium, 14, 1, "ID CRC"},
		{sense(3, 0x02, 0x00), device.Track, 14, 1, "no seek complete"},
		{sense(3, 0x09, 0x01), device.Track, 14, 1, "tracking servo failure"},
		{sense(3, 0x15, 0x01), device.Track, 14, 1, "mechanical positioning error"},
		{sense(4, 0x09, 0x02), device.Doubtful, 14, 1, "focus servo failure"},
		{sense(4, 0x44, 0x00), device.Doubtful, 14, 1, "internal target failure"},
		{sense(3, 0x31, 0x00), device.Doubtful, 14, 1, "medium format corrupted"},
		{sense(5, 0x21, 0x00), device.Medium, 0, 1, "out of range: don't ask again; the disc ends before"},
		{sense(5, 0x63, 0x00), device.Medium, 0, 1, "end of user area"},
		{sense(5, 0x64, 0x00), device.Refused, 0, 1, "READ CD brings them whole"},
		{sense(5, 0x6F, 0x03), device.Refused, 0, 1, "scrambled sector without authentication: leave it alone; the disc is protected"},
		{sense(7, 0x27, 0x00), device.Refused, 0, 1, "write protected"},
		{sense(8, 0x00, 0x00), device.Medium, 14, 1, "nothing is recorded there, which is no damage"},
		{sense(2, 0x3A, 0x00), device.Gone, 0, 1, "medium not present"},
		{sense(11, 0x47, 0x00), device.Doubtful, 0, 1 + mostAborts, "parity"},
		{sense(11, 0x00, 0x06), device.Doubtful, 0, 1 + mostAborts, "I/O process terminated"},
		{sense(3, 0x11, 0x11), device.Doubtful, 0, 1 + mostAborts, "loss of streaming"},
		{scsi.Sense{Key: 3, ASC: 0x11, Deferred: true}, device.Doubtful, 0, 1 + mostAborts, "unrecovered"},
		{scsi.Sense{Key: 3, ASC: 0x11}, device.Medium, 0, 1, "unrecovered"},        // no place named
		{at(scsi.Sense{Key: 3, ASC: 0x11}, 5), device.Medium, 0, 1, "unrecovered"}, // a place elsewhere
		{at(scsi.Sense{Key: 3, ASC: 0x11}, 96), device.Medium, 0, 1, "unrecovered"},
	} {
		t.Run(test.sense.Code(), func(t *testing.T) {
			c := cannedDVD(2000)
			d := c.mustOpen(t)
			c.fails[110] = test.sense
			r := sector.Span(96, 48)
			out := readOf(t, d, r)
			e := out.Err
			if e == nil || e.Class != test.class || out.Good != test.good || !strings.Contains(e.Text, test.words) {
				t.Fatalf("Read = %d good, %v; want %d, %v with %q", out.Good, e, test.good, test.class, test.words)
			}
			lba, valid := test.sense.LBA()
			if want := sector.LBA(lba); valid && r.Contains(want) && e.At != want || !(valid && r.Contains(want)) && e.At != -1 {
				t.Errorf("Read fails at %d; the drive says %v", e.At, test.sense)
			}
			if want := (device.Sense{Key: uint8(test.sense.Key), ASC: test.sense.ASC, ASCQ: test.sense.ASCQ}); e.Sense != want {
				t.Errorf("sense %v; want %v", e.Sense, want)
			}
			if n := len(c.reads()); n != test.reads {
				t.Errorf("the drive got %d READ commands; want %d", n, test.reads)
			}
		})
	}
}

func TestRecoveredIsGoodAndWeak(t *testing.T) {
	c := cannedDVD(2000)
	d := c.mustOpen(t)
	c.fails[110] = at(recovered, 110)
	if out := readOf(t, d, sector.Span(96, 48)); out.Err != nil || !out.Weak {
		t.Errorf("Read = weak %v, %v; want weak, nil", out.Weak, out.Err)
	}
	if out := readOf(t, d, sector.Span(144, 48)); out.Err != nil || out.Weak {
		t.Errorf("Read = weak %v, %v; want not weak, nil", out.Weak, out.Err)
	}
	if n := len(c.reads()); n != 2 {
		t.Errorf("the drive got %d READ commands; want 2", n)
	}
}

// 1,000 failing blocks, where the drive names the failing sector: each is in one READ
// that fails, and what came before it is not asked for again.
func TestOneReadForEachFailingBlock(t *testing.T) {
	const blocks = 4000
	c := cannedDVD(blocks * 16)
	d := c.mustOpen(t)
	rng := rand.New(rand.NewPCG(3, 4))
	bad := sector.Set{}
	for bad.Count() < 1000*16 {
		block := sector.Span(sector.LBA(rng.Int64N(blocks)*16), 16)
		if bad.Overlaps(block) {
			continue
		}
		bad.Add(block)
		for a := block.First; a < block.End; a++ {
			c.fails[a] = at(mediumError, a)
		}
	}
	c.log = nil
	for a := sector.LBA(0); a < blocks*16; {
		r := sector.Span(a, min(48, int64(blocks*16-a)))
		out := readOf(t, d, r)
		a += sector.LBA(out.Good)
		if out.Err != nil {
			a += 16 // the whole block
		}
	}
	asked := map[sector.LBA]int{} // by block: how many READs had it before their end
	for _, r := range c.reads() {
		for b := sector.LBA(r.LBA); b < sector.LBA(r.LBA)+sector.LBA(r.Blocks); b += 16 {
			asked[b]++
			if bad.Contains(b) {
				break // where this one ended
			}
		}
	}
	for b := sector.LBA(0); b < blocks*16; b += 16 {
		if asked[b] != 1 {
			t.Fatalf("block at %d, bad %v, was in %d READ commands; want 1", b, bad.Contains(b), asked[b])
		}
	}
}

func TestRepeatedReadsDefeatTheCache(t *testing.T) {
	for _, noFUA := range []bool{false, true} {
		c := cannedDVD(2000)
		c.noFUA = noFUA
		d := c.mustOpen(t)
		c.fails[100] = at(mediumError, 100)
		readOf(t, d, sector.Span(96, 48))
		delete(c.fails, 100)
		c.log = nil
		for range 2 { // the second time it is known that FUA is refused
			if out := readOf(t, d, sector.Span(96, 16)); out.Err != nil {
				t.Fatalf("Read again = %v; want all of it", out.Err)
			}
		}
		reads, seeks := c.reads(), c.count(scsi.OpSeek10)
		if last := reads[len(reads)-1]; last.FUA == noFUA || noFUA && (seeks != 2 || len(reads) != 3) || !noFUA && (seeks != 0 || len(reads) != 2) {
			t.Errorf("FUA refused %v: reads %+v, %d seeks; want FUA, or a seek before each", noFUA, reads, seeks)
		}
		c.log = nil
		readOf(t, d, sector.Span(112, 16)) // of the first request, but not asked for
		if r := c.reads(); len(r) != 1 || r[0].FUA {
			t.Errorf("a first reading has FUA: %+v", r)
		}
	}
}

// What a bridge says of the transfer is not believed where the memory shows otherwise.
func TestShortTransfers(t *testing.T) {
	for _, test := range []struct {
		name string
		make func(c *canned)
		good int64
	}{
		{"bridge says that all came", func(c *canned) {
			c.fails[100], c.lies = at(mediumError, 104), 1 // 96 to 99 came, 104 is named
		}, 4},
		{"residual beyond the length", func(c *canned) {
			c.before = func(cmd scsi.Command) (Result, error, bool) {
				return Result{Residual: 1 << 40}, nil, cmd.Op() == scsi.OpRead10
			}
		}, 0},
		{"residual below zero", func(c *canned) {
			c.before = func(cmd scsi.Command) (Result, error, bool) {
				return Result{Residual: -1 << 40}, nil, cmd.Op() == scsi.OpRead10
			}
		}, 0},
		{"good status, nothing came", func(c *canned) {
			c.before = func(cmd scsi.Command) (Result, error, bool) {
				return Result{}, nil, cmd.Op() == scsi.OpRead10
			}
		}, 0},
		{"recovered, nothing came", func(c *canned) {
			c.before = func(cmd scsi.Command) (Result, error, bool) {
				return Result{Status: scsi.CheckCondition, Sense: recovered.Append(nil)}, nil, cmd.Op() == scsi.OpRead10
			}
		}, 0},
	} {
		c := cannedDVD(2000)
		d := c.mustOpen(t)
		test.make(c)
		if out := readOf(t, d, sector.Span(96, 48)); out.Good != test.good || out.Err == nil {
			t.Errorf("%s: %d good, %v; want %d and an error", test.name, out.Good, out.Err, test.good)
		}
	}
}

func TestRequestInPieces(t *testing.T) {
	c := cannedDVD(2000)
	c.limit = 6 * sector.Size
	d := c.mustOpen(t)
	if out := readOf(t, d, sector.Span(96, 16)); out.Err != nil || len(c.reads()) != 3 {
		t.Errorf("Read = %v in %d commands; want all of it in 3", out.Err, len(c.reads()))
	}
	c.fails[104] = at(mediumError, 104)
	c.log = nil
	out := readOf(t, d, sector.Span(96, 16))
	if out.Good != 8 || out.Err == nil || out.Err.At != 104 || len(c.reads()) != 2 {
		t.Errorf("Read = %d good, %v in %d commands; want 8, failing at 104, in 2", out.Good, out.Err, len(c.reads()))
	}
}

func TestRead12WhereRead10IsNotKnown(t *testing.T) {
	c := cannedDVD(2000)
	d := c.mustOpen(t)
	c.refuse[scsi.OpRead10] = invalidOpcode
	if out := readOf(t, d, sector.Span(96, 16)); out.Err != nil {
		t.Errorf("Read = %v; want all of it", out.Err)
	}
	delete(c.refuse, scsi.OpRead10)
	c.log = nil
	readOf(t, d, sector.Span(112, 16))
	if c.count(scsi.OpRead12) != 1 || c.count(scsi.OpRead10) != 0 {
		t.Errorf("commands %v; want READ(12) alone", c.log)
	}
}

// What the host says.
func TestHostFailures(t *testing.T) {
	for _, test := range []struct {
		name  string
		make  func(c *canned) (Result, error)
		class device.Class
		reads int
	}{
		{"time-out", func(*canned) (Result, error) { return Result{Host: HostTimeOut}, nil }, device.Stalled, 1},
		{"no connection", func(*canned) (Result, error) { return Result{Host: HostNoConnect}, nil }, device.Gone, 1},
		{"transport error, the drive is there", func(*canned) (Result, error) { return Result{Host: HostError}, nil }, device.Doubtful, 1 + mostAborts},
		{"transport error, the drive was taken away", func(c *canned) (Result, error) {
			c.away = "removed"
			return Result{Host: HostError}, nil
		}, device.Gone, 1},
		{"EIO of a drive that the kernel calls offline", func(c *canned) (Result, error) {
			c.away = "offline"
			return Result{}, unix.EIO
		}, device.Gone, 1},
		{"EIO", func(*canned) (Result, error) { return Result{}, unix.EIO }, device.Doubtful, 1},
		{"ENODEV", func(*canned) (Result, error) { return Result{}, unix.ENODEV }, device.Gone, 1},
		{"EPERM", func(*canned) (Result, error) { return Result{}, unix.EPERM }, device.Refused, 1},
		{"an unknown status", func(*canned) (Result, error) { return Result{Status: 0x77}, nil }, device.Doubtful, 1 + mostAborts},
	} {
		t.Run(test.name, func(t *testing.T) {
			c := cannedDVD(2000)
			d := c.mustOpen(t)
			reads := 0
			c.before = func(cmd scsi.Command) (Result, error, bool) {
				if cmd.Op() != scsi.OpRead10 {
					return Result{}, nil, false
				}
				reads++
				r, err := test.make(c)
				return r, err, true
			}
			out := readOf(t, d, sector.Span(96, 48))
			if out.Err == nil || out.Err.Class != test.class || out.Good != 0 || reads != test.reads {
				t.Errorf("Read = %d good, %v after %d commands; want none, %v after %d", out.Good, out.Err, reads, test.class, test.reads)
			}
			if test.class == device.Gone && !errors.Is(out.Err, unix.ENODEV) && !errors.Is(out.Err, unix.EIO) {
				t.Errorf("Read = %v; want ENODEV in it", out.Err.Err)
			}
		})
	}
}

// FuzzReadAnswers has a drive answer READ with any status, sense data and residual,
// while it transfers what it will: whatever it says, only what came counts as good.
func FuzzReadAnswers(f *testing.F) {
	f.Add(uint8(2), at(mediumError, 110).Append(nil), int32(0), uint16(0), uint8(14))
	f.Add(uint8(2), recovered.Append(nil), int32(0), uint16(0), uint8(48))
	f.Add(uint8(0), []byte{}, int32(2048), uint16(0), uint8(47))
	f.Add(uint8(2), scsi.Sense{Key: 3, ASC: 0x11, Descriptor: true, Valid: true, Information: 100}.Append(nil), int32(-5), uint16(7), uint8(20))
	f.Fuzz(func(t *testing.T, status uint8, sense []byte, residual int32, host uint16, comes uint8) {
		c := cannedDVD(2000)
		d := c.mustOpen(t)
		answering := fuzzed{canned: c, result: Result{scsi.Status(status), sense, int(residual), HostStatus(host)}, comes: int64(comes)}
		d.t = &answering
		out := readOf(t, d, sector.Span(96, 48))
		if out.Good > int64(comes) {
			t.Errorf("%d sectors are good, of %d that came", out.Good, comes)
		}
		if s, err := scsi.ParseSense(sense); err == nil && status == 2 && host == 0 && s.Key != scsi.RecoveredError && s.Meaning().Class != scsi.NoError && out.Err != nil {
			if lba, ok := s.LBA(); ok && lba >= 96 && 96+out.Good > lba {
				t.Errorf("%d sectors are good though the drive says that %d failed", out.Good, lba)
			}
		}
	})
}

// fuzzed is a drive that answers READ in its own way.
type fuzzed struct {
	*canned
	result Result
	comes  int64
}

func (f *fuzzed) Do(cmd scsi.Command, data []byte, timeout time.Duration) (Result, error) {
	if cmd.Op() != scsi.OpRead10 {
		return f.canned.Do(cmd, data, timeout)
	}
	r, err := scsi.Parse(cmd.CDB())
	if err != nil {
		return Result{}, err
	}
	first := sector.LBA(r.(scsi.Read10).LBA)
	for i := range min(f.comes-int64(first-96), int64(len(data))/sector.Size) {
		devicetest.Pattern(first+sector.LBA(i), data[i*sector.Size:][:sector.Size])
	}
	return f.result, nil
}

// A drive that takes no READ of more than 20 sectors says that a field is invalid: it
// is asked for half as much until it takes it, and from then on at once.
func TestShorterReads(t *testing.T) {
	c := cannedDVD(2000)
	d := c.mustOpen(t)
	refused := 0
	c.before = func(cmd scsi.Command) (Result, error, bool) {
		q, err := scsi.Parse(cmd.CDB())
		if r, ok := q.(scsi.Read10); err == nil && ok && r.Blocks > 20 {
			refused++
			return check(invalidField, int(cmd.Len())), nil, true
		}
		return Result{}, nil, false
	}
	for range 2 {
		if out := readOf(t, d, sector.Span(96, 240)); out.Err != nil {
			t.Fatalf("Read = %v; want all of it", out.Err)
		}
	}
	if refused != 1 || d.piece != 16 {
		t.Errorf("%d READs were refused, and %d sectors are asked for at a time; want 1, and 16", refused, d.piece)
	}
	c.before = func(scsi.Command) (Result, error, bool) {
		return check(invalidField, 0), nil, true
	}
	if out := readOf(t, d, sector.Span(96, 240)); out.Err == nil || out.Err.Class != device.Refused {
		t.Errorf("Read of a drive that refuses a single block = %v; want that it is refused", out.Err)
	}
}
