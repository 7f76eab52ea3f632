package optical

import (
	"encoding/json"
	"fmt"
	"slices"

	"turnstone/device"
	"turnstone/device/scsi"
)

// slowTimes is the speed that a drive is asked for which lists none below its own, as a
// multiple of the disc's 1x. One that has no such speed takes the next [memory].
const slowTimes = 2

// mostSpeeds is how many descriptors of speeds are asked for.
const mostSpeeds = 32

// callSlow asks for a speed as low as the drive has, or for the one before. What comes
// back is the speed then in force, as JSON.
const callSlow = "slow"

// slow is what device.Slower promises. The drive's word on its speed is asked for before
// and behind, since SET CD SPEED is a request that a drive may pass over in silence.
//
//	says it reads at    22,160 ──SET CD SPEED 2,770──▶ 2,770   in force
//	                                                   5,540   its lowest: in force
//	                                                  22,160   it does not heed it
//	                                                 nothing   believed
func (d *opened) slow(on bool) (int, error) {
	if !d.own.Writable {
		return 0, fmt.Errorf("%w: a speed", device.ErrUnsupported)
	}
	if !on {
		was := d.slowed
		d.slowed = 0
		if f := d.setSpeed(d.speed()); f != nil {
			d.slowed = was
			return 0, f.unsupported()
		}
		return d.now.SpeedKBps, nil
	}
	before, f := d.rate()
	if f != nil {
		return 0, f
	}
	kBps, f := d.lowest(before)
	if f != nil {
		return 0, f
	}
	if f := d.setSpeed(kBps); f != nil {
		return 0, f.unsupported()
	}
	d.slowed = kBps
	said, f := d.rate()
	switch {
	case f != nil:
		return 0, f
	case said > kBps && before > 0 && said >= before:
		if _, err := d.slow(false); err != nil {
			return 0, err
		}
		return 0, fmt.Errorf("%w: a speed of %d kB/s: the drive stays at %d kB/s", device.ErrUnsupported, kBps, said)
	case said > 0:
		return said, nil
	}
	return kBps, nil
}

// speed is the one that the drive was asked for last: a low one, else the cap in force,
// else its own.
func (d *opened) speed() int {
	if d.slowed > 0 {
		return d.slowed
	}
	if d.now.SpeedKBps > 0 {
		return d.now.SpeedKBps
	}
	return scsi.MaxSpeed
}

// setSpeed asks for a speed by SET CD SPEED, or by SET STREAMING where the drive does
// not know the first.
func (d *opened) setSpeed(kBps int) *fault {
	kB := uint16(min(kBps, scsi.MaxSpeed))
	_, f := d.tell(scsi.SetCDSpeed{Read: kB, Write: scsi.MaxSpeed}.Command(), nil)
	if !f.is(scsi.Refused) {
		return f
	}
	s := scsi.StreamRange{Restore: true, End: uint32(max(d.info.Sectors-1, 0))}
	if kB != scsi.MaxSpeed {
		s = scsi.ReadRate(uint32(kB), s.End)
	}
	_, f = d.tell(s.Command(), s.Append(nil))
	return f
}

// rate is the speed that the drive says it reads at, in kB/s: the highest of its nominal
// ones over the disc, else what its capabilities say; 0 where it says nothing.
func (d *opened) rate() (kBps int, f *fault) {
	b, f := d.ask(scsi.GetPerformance{DataType: scsi.NominalRead, Max: mostSpeeds, Type: scsi.PerformanceList}.Command())
	if lost(f) {
		return 0, f
	}
	if p, err := scsi.ParsePerformance(b); f == nil && usable(err) {
		for _, z := range p.Zones {
			kBps = max(kBps, int(z.StartSpeed), int(z.EndSpeed))
		}
	}
	if kBps > 0 {
		return kBps, nil
	}
	page, f := d.modePage(scsi.PageCapabilities, scsi.CurrentValues)
	if lost(f) {
		return 0, f
	}
	if caps, err := page.Capabilities(); err == nil {
		kBps = int(caps.CurrentRead)
	}
	return kBps, nil
}

// lowest is the lowest speed of reading that the drive lists for the disc, below the one
// that it says it reads at.
func (d *opened) lowest(now int) (kBps int, f *fault) {
	listed, f := d.speeds()
	if f != nil {
		return 0, f
	}
	if len(listed) > 0 && (now == 0 || listed[0] < now) {
		return listed[0], nil
	}
	return int(slowTimes*device.OnceKBps(d.info.Kind) + .5), nil
}

// speeds are those of reading that the drive lists for the disc, in kB/s, the lowest
// first. Drives list them beside those of writing, if at all.
func (d *opened) speeds() (all []int, f *fault) {
	b, f := d.ask(scsi.GetPerformance{Max: mostSpeeds, Type: scsi.WriteSpeedList}.Command())
	if lost(f) {
		return nil, f
	}
	if list, err := scsi.ParseWriteSpeeds(b); f == nil && usable(err) {
		for _, w := range list {
			if w.Read > 0 && w.Read < scsi.MaxSpeed {
				all = append(all, int(w.Read))
			}
		}
	}
	slices.Sort(all)
	return slices.Compact(all), nil
}

// readSlow has a backend read slowly, or as before.
func readSlow(slow bool, call func(arg []byte) ([]byte, error)) (kBps int, err error) {
	arg, err := json.Marshal(slow)
	if err != nil {
		return 0, err
	}
	b, err := call(arg)
	if err != nil {
		return 0, err
	}
	return kBps, json.Unmarshal(b, &kBps)
}

// callReadSlow is the backend's side.
func (d *opened) callReadSlow(arg []byte) ([]byte, error) {
	var on bool
	if err := json.Unmarshal(arg, &on); err != nil {
		return nil, err
	}
	kBps, err := d.slow(on)
	if err != nil {
		return nil, err
	}
	return json.Marshal(kBps)
}
