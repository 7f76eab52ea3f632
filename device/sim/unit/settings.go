package unit

import (
	"context"

	"turnstone/device"
	"turnstone/device/scsi"
	"turnstone/device/sector"
)

// settings are what a host can set, and a reset undoes.
type settings struct {
	page scsi.Recovery
	cap  int // kB/s; 0: none
}

// own is the drive's own settings.
func (u *Unit) own() settings {
	return settings{page: scsi.Recovery{Flags: u.make.Flags, ReadRetries: u.spec.Retries}}
}

// apply gives the simulated drive a retry count, and the cap in force.
func (u *Unit) apply(retries uint8) {
	s := device.Settings{Retries: &retries, SpeedKBps: scsi.MaxSpeed}
	if u.cap > 0 {
		s.SpeedKBps = u.cap
	}
	u.drive.Set(context.Background(), s) // counts below its least never get here
}

// modeSense is MODE SENSE(10), of page 01h, 2Ah or all.
func (u *Unit) modeSense(r scsi.ModeSense10) ([]byte, *scsi.Sense) {
	const all = 0x3F
	var m scsi.ModeData
	for _, code := range []scsi.PageCode{scsi.PageRecovery, scsi.PageCapabilities} {
		if r.Page == code || r.Page == all {
			m.Pages = append(m.Pages, u.modePage(code, r.Control))
		}
	}
	switch {
	case len(m.Pages) == 0:
		return nil, u.field(2)
	case r.Control == scsi.SavedValues:
		return nil, u.says(scsi.IllegalRequest, 0x39, 0)
	}
	return m.Append(nil), nil
}

func (u *Unit) modePage(code scsi.PageCode, which scsi.PageControl) scsi.ModePage {
	if code == scsi.PageCapabilities {
		p := u.capabilities().Page()
		if which == scsi.ChangeableValues {
			clear(p[2:])
		}
		return p
	}
	switch which {
	case scsi.ChangeableValues:
		return u.make.Mask.Page()
	case scsi.DefaultValues:
		return u.own().page.Page()
	}
	return u.page.Page()
}

func (u *Unit) capabilities() scsi.Capabilities {
	return scsi.Capabilities{
		C2:      u.pointers(),
		ReadCDR: true, ReadCDRW: true, ReadDVDROM: true, ReadDVDR: true, ReadDVDRAM: true,
		Loading: 1, Lock: true, Buffer: 2048,
		MaxRead: uint16(u.spec.KBps(0)), CurrentRead: uint16(u.spec.KBps(u.cap)),
	}
}

// modeSelect is MODE SELECT(10): nothing is changed unless all is right.
func (u *Unit) modeSelect(list []byte, length int) *scsi.Sense {
	if length == 0 {
		return nil // SPC: no error
	}
	m, err := scsi.ParseModeList(list)
	switch {
	case err != nil, len(list) < length:
		return u.says(scsi.IllegalRequest, 0x1A, 0)
	case len(m.Blocks) > 0:
		return u.parameter(0, 6)
	}
	next, at := u.page, 8
	for _, p := range m.Pages {
		now := u.modePage(p.Code(), scsi.CurrentValues)
		if known := p[0] == byte(scsi.PageRecovery) || p[0] == byte(scsi.PageCapabilities); !known || len(p) != len(now) {
			return u.parameter(0, at)
		}
		mask := u.modePage(p.Code(), scsi.ChangeableValues)
		for i := 2; i < len(p); i++ {
			if (p[i]^now[i])&^mask[i] != 0 {
				return u.parameter(0, at+i)
			}
		}
		if p.Code() == scsi.PageRecovery {
			next, _ = p.Recovery() // it has the length of the drive's own
			if least := u.spec.LeastRetries; next.ReadRetries < least && u.make.Rounds {
				next.ReadRetries = least
			} else if next.ReadRetries < least {
				return u.parameter(2, at+3)
			}
		}
		at += len(p)
	}
	u.page = next
	return nil
}

// setSpeed is SET CD SPEED.
func (u *Unit) setSpeed(r scsi.SetCDSpeed) *scsi.Sense {
	switch {
	case r.Rotation > 1:
		return u.field(1)
	case r.Read == 0:
		return u.field(2)
	}
	u.cap = 0
	if r.Read != scsi.MaxSpeed {
		u.cap = int(r.Read)
	}
	return nil
}

// setStreaming is SET STREAMING; the rate holds for the whole disc, whatever the range.
func (u *Unit) setStreaming(r scsi.SetStreaming, data []byte) *scsi.Sense {
	switch {
	case r.Type != 0:
		return u.field(8)
	case r.Length != scsi.StreamRangeLen:
		return u.field(9)
	}
	s, err := scsi.ParseStreamRange(data)
	switch {
	case err != nil:
		return u.says(scsi.IllegalRequest, 0x1A, 0)
	case s.Restore:
		u.cap = 0
		return nil
	case s.Start > s.End:
		return u.parameter(0, 4)
	case s.ReadTime == 0 || s.ReadSize == 0:
		return u.parameter(0, 16)
	}
	u.cap = int(min(uint64(s.ReadSize)*1000/uint64(s.ReadTime), 1<<30))
	u.cap = max(u.cap, 1)
	return nil
}

// performance is GET PERFORMANCE of nominal speeds of reading, layer by layer.
func (u *Unit) performance(r scsi.GetPerformance) ([]byte, *scsi.Sense) {
	switch {
	case r.Type == scsi.WriteSpeedList:
		return u.speeds(r), nil
	case r.Type != scsi.PerformanceList:
		return nil, u.field(10)
	case r.DataType != scsi.NominalRead:
		return nil, u.field(1)
	case int64(r.Start) >= u.medium.Disc.Scenario().Sectors:
		return nil, u.says(scsi.IllegalRequest, 0x21, 0)
	}
	speed, first := u.spec.KBps(u.cap), sector.LBA(0)
	var p scsi.Performance
	for _, n := range u.drive.Info().Layers {
		last := first + sector.LBA(n) - 1
		if last >= sector.LBA(r.Start) && len(p.Zones) < int(r.Max) {
			p.Zones = append(p.Zones, scsi.SpeedZone{
				Start: uint32(first), StartSpeed: uint32(u.medium.Disc.Rate(first, speed)),
				End: uint32(last), EndSpeed: uint32(u.medium.Disc.Rate(last, speed)),
			})
		}
		first = last + 1
	}
	return p.Append(nil), nil
}

// speeds is GET PERFORMANCE of the speeds for the disc: those of reading. It writes
// nothing.
func (u *Unit) speeds(r scsi.GetPerformance) []byte {
	var list []scsi.WriteSpeed
	for _, kBps := range u.spec.Speeds() {
		if len(list) < int(r.Max) {
			list = append(list, scsi.WriteSpeed{End: uint32(u.medium.Disc.Scenario().Sectors - 1), Read: uint32(kBps)})
		}
	}
	return scsi.AppendWriteSpeeds(nil, list)
}
