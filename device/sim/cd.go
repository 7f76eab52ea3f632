package sim

import (
	"turnstone/device/sector"
	"turnstone/device/spiral"
	"turnstone/ecc/cd"
)

// A CD is simulated down to the frames of its code (package circ): see cdlight.go for
// what of a sector's frames a drive sees, cdread.go for what it makes of them.

// Track is a track of a simulated CD.
type Track struct {
	Mode  string // one of the modes below
	Range sector.Range
}

// The modes of tracks.
const (
	Mode1 = "mode1" // data
	Form1 = "form1" // mode 2 form 1: data
	Form2 = "form2" // mode 2 form 2: 2,324 bytes a sector
	Audio = "audio"
)

// kind is the layout of a track's sectors; 0 for sound.
func (t Track) kind() cd.Kind {
	return map[string]cd.Kind{Mode1: cd.Mode1, Form1: cd.Form1, Form2: cd.Form2}[t.Mode]
}

// CD tells whether the disc is a CD.
func (s *Scenario) CD() bool { return s.tracks != nil }

// Tracks is the tracks of a CD, in order of address; none of another disc.
func (s *Scenario) Tracks() []Track { return s.tracks }

// kind is what the disc is, as device.Info has it.
func (s *Scenario) kind() string {
	if s.CD() {
		return "cd"
	}
	return "dvd"
}

// block is the sectors that one code word covers.
func (s *Scenario) block() int64 {
	if s.CD() {
		return 1
	}
	return blockSectors
}

// kindOfSector is the layout of a sector; 0 for sound and where there is no track.
func (s *Scenario) kindOfSector(a sector.LBA) cd.Kind {
	for _, t := range s.tracks {
		if t.Range.Contains(a) {
			return t.kind()
		}
	}
	return 0
}

// Bounds of a scenario's CD.
const (
	mostCDSectors = 449_850 // 100 minutes, the end of what a header can say (ECMA-130 [memory])
	mostCDTracks  = 99
)

// compactDisc reads what a scenario says of a CD.
func (f *form) compactDisc(s *Scenario, o *object) {
	s.Sectors = o.mustWhole("sectors", 1, mostCDSectors)
	speed := o.number("velocity_m_s", spiral.CDSlowest, spiral.CDFastest, spiral.CDSlowest)
	s.medium = spiral.CD(speed)
	s.shape = s.medium.Shape(false, s.Sectors)
	s.shape.Pitch = o.number("pitch_um", 1.4, 1.7, s.shape.Pitch*1000) / 1000
	s.shape.Inner = o.number("inner_mm", 20, 57, s.shape.Inner)
	at := sector.LBA(0)
	for i, v := range o.list("tracks", 0, mostCDTracks) {
		t := f.object(v, index(o.under("tracks"), i))
		mode, n := t.text("mode", longestName), t.mustWhole("sectors", 1, mostCDSectors)
		t.done()
		track := Track{mode, sector.Span(at, n)}
		if mode != Audio && track.kind() == 0 {
			f.fail(v, t.under("mode"), "%q is none of %s, %s, %s, %s", mode, Mode1, Form1, Form2, Audio)
		}
		s.tracks = append(s.tracks, track)
		at = track.Range.End
	}
	switch {
	case s.tracks == nil:
		s.tracks = []Track{{Mode1, sector.Span(0, s.Sectors)}}
	case int64(at) != s.Sectors:
		f.fail(o.v, o.under("tracks"), "they have %d sectors in all, the disc %d", at, s.Sectors)
	}
}

// hole is a hole in the reflective layer of a CD, which lies under its label: no light
// comes back there, whatever is done to the surface.
func (f *form) hole(s *Scenario, v value, o *object) {
	m := mark{width: 2 * o.mustNumber("radius_mm", narrowest, widestMark), hole: true}
	if at, ok := o.need("at_mm"); ok {
		p := f.pair(at, o.under("at_mm"), -farthest, farthest)
		m.pieces = []piece{straight(p, p)}
	}
	if !s.CD() && f.err == nil {
		f.fail(v, o.path, "only a CD has its data layer under the label")
	}
	f.add(s, o, m)
}

// recorded makes the sector as it lies on the CD, not scrambled: 2,352 bytes. What
// fills more than the content's 2,048 bytes is drawn, and so is sound.
func (d *Disc) recorded(a sector.LBA, raw []byte) error {
	if c, ok := d.content.(rawContent); ok {
		return c.readRaw(a, raw)
	}
	kind := d.scenario.kindOfSector(a)
	u := newStream(forContent, d.scenario.Seed, uint64(a), uint64(kind)+1)
	if kind == 0 {
		fillNoise(raw, u)
		return nil
	}
	clear(raw)
	if kind != cd.Mode1 { // file, channel, submode, coding: data, or video in real time [memory]
		copy(raw[16:], []byte{0, 0, 1 << 3, 0})
	}
	if kind == cd.Form2 {
		copy(raw[16:], []byte{1, 1, 1<<6 | 1<<5 | 1<<1, 0x0F})
	}
	user, err := cd.UserData(raw, kind)
	if err != nil {
		return err
	}
	if err := d.content.read(a, user[:sector.Size]); err != nil {
		return err
	}
	fillNoise(user[sector.Size:], u)
	return cd.Encode(raw, kind, int64(a))
}

func fillNoise(b []byte, u stream) {
	for i := range b {
		b[i] = byte(u.bits(uint64(i)))
	}
}

// rawContent is a content that is there sector by sector as it lies on the disc.
type rawContent interface {
	readRaw(a sector.LBA, raw []byte) error
}

// rawImage is a content from a file of whole raw sectors.
type rawImage struct{ image }

func (m rawImage) readRaw(a sector.LBA, raw []byte) error {
	_, err := m.file.ReadAt(raw, int64(a)*cd.Size)
	return err
}

// read implements content: the first 2,048 bytes of the user's data.
func (m rawImage) read(first sector.LBA, buf []byte) error {
	var raw [cd.Size]byte
	for len(buf) > 0 {
		if err := m.readRaw(first, raw[:]); err != nil {
			return err
		}
		from := 16
		if raw[15]&3 == 2 {
			from = 24
		}
		copy(buf[:sector.Size], raw[from:])
		buf, first = buf[sector.Size:], first+1
	}
	return nil
}

// ReadContent fills buf, whole sectors of 2,048 bytes, with what is recorded on the disc
// from a sector on: what a drive that reads everything would deliver.
func (d *Disc) ReadContent(first sector.LBA, buf []byte) error { return d.content.read(first, buf) }
