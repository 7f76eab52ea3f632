package sim

import (
	"context"
	"fmt"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/ecc/cd"
	"turnstone/ecc/circ"
)

// cdAttempt is what one attempt on a sector of a CD brought: the sector as the player's
// code gives it out, and a pointer for each doubtful byte. The drive's next step is the
// sector's own code (package cd), with the pointers for erasures.
type cdAttempt struct {
	disc  *Disc
	codec *circ.Codec // of the real way; nil: frames are counted
	lost  [cdFrames]bool
	doubt [circ.SectorFrames * circ.Carried]bool
	raw   [cd.Size]byte
	c2    [cd.C2Size]byte
}

func (t *cdAttempt) init(d *Disc) { t.disc = d }

// real has frames coded and decoded instead of counted.
func (t *cdAttempt) real() { t.codec = circ.NewCodec() }

// make makes the attempt on a sector whose lost frames are known. It returns how many
// bytes are doubtful.
func (t *cdAttempt) make(a sector.LBA, damage stream) (doubtful int, err error) {
	if err := t.disc.recorded(a, t.raw[:]); err != nil {
		return 0, err
	}
	if t.codec != nil {
		return t.decode(a, damage)
	}
	circ.Doubtful(t.lost[:], t.doubt[:])
	clear(t.c2[:])
	for i, d := range t.doubt {
		if !d {
			continue
		}
		at := i ^ 1 // the two bytes of a word are swapped on their way to the frame
		if by := byte(damage.bits(uint64(i))); at >= 12 {
			t.raw[at] ^= by
		}
		t.c2[at/8] |= 0x80 >> (at % 8)
		doubtful++
	}
	return doubtful, nil
}

// decode makes it the way a disc and a player do: the frames are recorded, those that
// are lost get wrong from end to end, and what is left is decoded.
func (t *cdAttempt) decode(a sector.LBA, damage stream) (doubtful int, err error) {
	// Frames hold bytes of those before them: two sectors are enough.
	const before = 2
	sectors := before + 1 + (circ.Reach+circ.SectorFrames-1)/circ.SectorFrames
	carried := make([]byte, 0, sectors*cd.Size)
	var raw [cd.Size]byte
	for n := range int64(sectors) {
		clear(raw[:])
		if at := a - before + sector.LBA(n); at >= 0 && int64(at) < t.disc.scenario.Sectors {
			if err := t.disc.recorded(at, raw[:]); err != nil {
				return 0, err
			}
			if t.disc.scenario.kindOfSector(at) != 0 {
				if err := cd.Scramble(raw[:]); err != nil {
					return 0, err
				}
			}
		}
		for i := range raw {
			carried = append(carried, raw[i^1])
		}
	}
	frames, err := t.codec.Encode(carried)
	if err != nil {
		return 0, err
	}
	frames = frames[before*circ.SectorFrames*circ.Recorded:][:cdFrames*circ.Recorded]
	for f := range cdFrames {
		u := newStream(uint64(damage), uint64(f))
		frame := frames[f*circ.Recorded:][:circ.Recorded]
		if t.lost[f] {
			for i := range frame {
				frame[i] ^= byte(1 + u.bits(uint64(i))%255)
			}
		} else if u.bits(0)%8 == 0 { // what the code corrects everywhere
			frame[u.bits(1)%circ.Recorded] ^= byte(1 + u.bits(2)%255)
		}
	}
	out, doubt, err := t.codec.Decode(frames)
	if err != nil {
		return 0, err
	}
	clear(t.c2[:])
	for i := range t.raw {
		t.raw[i] = out[i^1]
		if doubt[i^1] {
			t.c2[i/8] |= 0x80 >> (i % 8)
			doubtful++
		}
	}
	if t.disc.scenario.kindOfSector(a) != 0 {
		return doubtful, cd.Scramble(t.raw[:])
	}
	return doubtful, nil
}

// delivers tells whether the drive makes a sector of data of the attempt, by the code
// that the sector has itself.
func (t *cdAttempt) delivers(a sector.LBA, doubtful int) bool {
	kind := t.disc.scenario.kindOfSector(a)
	if doubtful == 0 && t.codec == nil {
		return true
	}
	trial := t.raw
	r, err := cd.Repair(trial[:], kind, t.c2[:])
	if err != nil || r.Verdict != cd.Clean && r.Verdict != cd.Repaired {
		return false
	}
	// A drive would deliver what holds by accident; the model does not lie.
	if t.disc.recorded(a, t.raw[:]) != nil {
		return false
	}
	return trial == t.raw
}

// cdSector reads a sector of data, which is under the head: whether it came, and
// whether it took a further attempt.
func (v *Drive) cdSector(a sector.LBA, retries uint8) (good int64, again bool, outcome Outcome) {
	o := v.cd
	switch o.look(int64(a)) {
	case certain:
		return 1, false, OK
	case lost:
		return 0, false, v.lose(o.draws(forLoss, int64(a)), func() { o.tries[a]++ })
	}
	for n := range int(retries) + 1 {
		if n > 0 {
			v.m.spend(retryTurns * v.m.turn())
		}
		doubtful, err := v.try(a)
		if err == nil && o.attempt.delivers(a, doubtful) {
			return 1, n > 0, OK
		}
	}
	v.m.spend(failTime)
	return 0, false, Medium
}

// try makes one attempt on a sector; it is in v.cd.attempt then.
func (v *Drive) try(a sector.LBA) (doubtful int, err error) {
	o := v.cd
	o.lostFrames(int64(a), &o.attempt.lost)
	damage := o.draws(forDamage, int64(a))
	o.tries[a]++
	return o.attempt.make(a, damage)
}

// Raw is a sector of a CD as a drive has it before the sector's own code.
type Raw struct {
	Data [cd.Size]byte   // not scrambled; wrong where it is doubtful
	C2   [cd.C2Size]byte // a bit for each byte of Data, the highest first: doubtful
}

// ReadRaw reads one sector of a CD once, without retries. A *device.ReadError is
// returned where the drive loses the track, or gives no answer; device.ErrUnsupported
// where the disc is no CD.
func (v *Drive) ReadRaw(_ context.Context, a sector.LBA) (raw Raw, err error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	switch {
	case v.closed || v.needs != "":
		return raw, device.ErrClosed
	case v.cd == nil:
		return raw, device.ErrUnsupported
	case a < 0 || int64(a) >= v.info.Sectors:
		return raw, fmt.Errorf("sector %d is not on a disc of %d sectors", a, v.info.Sectors)
	}
	m := &v.m
	m.capTo(v.fastest())
	c := Command{Start: m.now, Range: sector.Span(a, 1), Outcome: OK, X: m.x()}
	m.spend(m.approach(a) + m.transfer(a, 1))
	switch v.cd.look(int64(a)) {
	case certain:
		if err := v.disc.recorded(a, raw.Data[:]); err != nil {
			return raw, err
		}
	case lost:
		c.Outcome = v.lose(v.cd.draws(forLoss, int64(a)), func() { v.cd.tries[a]++ })
		if c.Outcome == LongSilent {
			v.needs = v.spec.Stall.Needs
		}
	default:
		if _, err := v.try(a); err != nil {
			return raw, err
		}
		raw.Data, raw.C2 = v.cd.attempt.raw, v.cd.attempt.c2
	}
	c.End = m.now
	if e := v.failure(c); e != nil {
		m.failed()
		return raw, e
	}
	m.passed(1)
	m.went(1)
	return raw, nil
}
