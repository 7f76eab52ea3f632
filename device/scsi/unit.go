package scsi

// TestUnitReady asks whether the drive could read now. No data; the answer is the
// status and the sense data.
type TestUnitReady struct{}

func (TestUnitReady) Command() Command { return build(OpTestUnitReady, NoData, 0) }

func decodeTestUnitReady([]byte) Request { return TestUnitReady{} }

// StartStopUnit starts or stops the spindle, or moves the tray:
//
//	LoadEject Start
//	    0       0    stop
//	    0       1    spin
//	    1       0    eject
//	    1       1    load
type StartStopUnit struct {
	Immediate bool  // IMMED: the answer comes before it is done
	LoadEject bool  // LoEj
	Start     bool  // Start
	Power     uint8 // power condition, 4 bits; 0 leaves it to the other two
}

func (r StartStopUnit) Command() Command {
	c := build(OpStartStopUnit, NoData, 0)
	c.cdb[1] = flag(r.Immediate, 0)
	c.cdb[4] = r.Power<<4 | flag(r.LoadEject, 1) | flag(r.Start, 0)
	return c
}

func decodeStartStopUnit(c []byte) Request {
	return StartStopUnit{Immediate: has(c[1], 0), LoadEject: has(c[4], 1), Start: has(c[4], 0), Power: c[4] >> 4}
}

// PreventAllow locks the tray or lets it go.
type PreventAllow struct {
	Prevent    bool
	Persistent bool // as sg_prevent sets it
}

func (r PreventAllow) Command() Command {
	c := build(OpPreventAllow, NoData, 0)
	c.cdb[4] = flag(r.Persistent, 1) | flag(r.Prevent, 0)
	return c
}

func decodePreventAllow(c []byte) Request {
	return PreventAllow{Prevent: has(c[4], 0), Persistent: has(c[4], 1)}
}

// MechanismStatus asks what the mechanism is doing; see [Mechanism].
type MechanismStatus struct{ Alloc uint16 }

func (r MechanismStatus) Command() Command {
	c := build(OpMechanismStatus, FromUnit, int64(r.Alloc))
	be.PutUint16(c.cdb[8:], r.Alloc) // its place [memory]
	return c
}

func decodeMechanismStatus(c []byte) Request { return MechanismStatus{be.Uint16(c[8:])} }

// Mechanism is the response to MECHANISM STATUS (Linux, include/linux/cdrom.h,
// cdrom_mechstat_header).
type Mechanism struct {
	Fault    bool
	Changer  uint8 // state of the changer, 0 to 3: ready, loading, unloading, initialising
	Slot     uint8 // the current one, 0 to 31
	State    uint8 // of the mechanism, 0 to 7: idle, playing, scanning, [memory] then host active, 7 none
	DoorOpen bool
	LBA      uint32 // where it is, 24 bits
	Slots    []MechanismSlot
}

// MechanismSlot is one slot of a changer [places of its bits: memory].
type MechanismSlot struct{ Present, Changed bool }

const mechanismHead = 8

// ParseMechanism reads the response to MECHANISM STATUS. ErrShort is returned
// below 8 bytes, ErrTruncated with the slots that came.
func ParseMechanism(b []byte) (Mechanism, error) {
	if err := enough("mechanism status", b, mechanismHead); err != nil {
		return Mechanism{}, err
	}
	b, err := claimed("mechanism status", b, mechanismHead, mechanismHead+int64(be.Uint16(b[6:])))
	m := Mechanism{
		Fault: has(b[0], 7), Changer: b[0] >> 5 & 3, Slot: b[0] & 31,
		State: b[1] >> 5, DoorOpen: has(b[1], 4), LBA: get24(b[2:]),
	}
	for s := b[mechanismHead:]; len(s) >= 4; s = s[4:] {
		m.Slots = append(m.Slots, MechanismSlot{Present: has(s[0], 7), Changed: has(s[0], 0)})
	}
	return m, err
}

// Append appends the response. No more than 16,383 slots go into one.
func (m Mechanism) Append(b []byte) []byte {
	slots := m.Slots[:min(len(m.Slots), 0xFFFF/4)]
	b, h := grow(b, mechanismHead+4*len(slots))
	h[0] = flag(m.Fault, 7) | m.Changer&3<<5 | m.Slot&31
	h[1] = m.State<<5 | flag(m.DoorOpen, 4)
	put24(h[2:], m.LBA)
	h[5] = byte(min(len(slots), 255))
	be.PutUint16(h[6:], uint16(4*len(slots)))
	for i, s := range slots {
		h[mechanismHead+4*i] = flag(s.Present, 7) | flag(s.Changed, 0)
	}
	return b
}
