package sim

import (
	"fmt"
	"math"

	"turnstone/device/spiral"
)

// Bounds of what a scenario can ask for.
const (
	mostSectors = 8 << 20
	mostMarks   = 20_000
	mostPieces  = 100_000
	mostHazes   = 1000
	mostWear    = 10_000 // scratches drawn
	mostDrives  = 16
	mostRounds  = 100
	mostSteps   = 100   // treatments of one round
	farthest    = 200.0 // mm: scratches may run off the disc
	deepestMark = 600.0 // µm: a DVD's substrate (ECMA-267 11 [memory])
	longestName = 64
	longestPath = 4096
	leastLength = 0.1 // mm
	widestMark  = 60.0
	narrowest   = 0.001
)

// index is the path of an entry of a list.
func index(path string, i int) string { return fmt.Sprintf("%s[%d]", path, i) }

// scenario reads the document.
func (f *form) scenario(v value) *Scenario {
	o := f.object(v, "")
	s := &Scenario{
		Name: o.text("name", longestName),
		Seed: uint64(o.whole("seed", 0, math.MaxInt64, 0)),
	}
	if d, ok := o.need("disc"); ok {
		f.disc(s, f.object(d, "disc"))
	}
	for i, m := range o.list("marks", 0, mostMarks) {
		f.mark(s, m, index("marks", i))
	}
	for i, w := range o.list("wear", 0, mostMarks) {
		path := index("wear", i)
		f.wear(s, i, f.object(w, path))
		if f.err != nil {
			break
		}
	}
	for i, d := range o.list("drives", 1, mostDrives) {
		f.drive(s, d, index("drives", i))
	}
	for i, r := range o.list("rounds", 1, mostRounds) {
		f.round(s, r, index("rounds", i))
	}
	o.done()
	return s
}

func (f *form) disc(s *Scenario, o *object) {
	switch kind := o.text("kind", longestName); kind {
	case "dvd":
		f.versatileDisc(s, o)
	case "cd":
		f.compactDisc(s, o)
	default:
		f.fail(o.v, o.under("kind"), `%q; "dvd" and "cd" are simulated`, kind)
	}
	if v, ok := o.get("pitch_wander"); ok {
		w := f.object(v, o.under("pitch_wander"))
		s.shape.Wander = spiral.SeededWander(
			w.number("amplitude_um", 0, 0.03, usualWander)/1000,
			w.number("length_mm", 1, 100, usualWanderLength),
			uint64(w.whole("seed", 0, math.MaxInt64, int64(s.Seed))))
		w.done()
	}
	if v, ok := o.get("content"); ok {
		f.content(s, v, f.object(v, o.under("content")))
	}
	o.done()
}

// content reads what is recorded on the disc.
func (f *form) content(s *Scenario, v value, c *object) {
	s.image = c.text("image", longestPath)
	if s.CD() {
		if raw := c.text("raw_image", longestPath); raw != "" {
			if s.image != "" {
				f.fail(v, c.path, "either an image or a raw image is wanted")
			}
			s.image, s.raw = raw, true
		}
	}
	if noise := c.truth("noise"); noise == (s.image != "") {
		f.fail(v, c.path, "either an image or noise is wanted")
	}
	c.done()
}

// versatileDisc reads what a scenario says of a DVD.
func (f *form) versatileDisc(s *Scenario, o *object) {
	s.Sectors = o.mustWhole("sectors", blockSectors, mostSectors)
	layers := o.whole("layers", 1, 2, 1)
	first := o.whole("layer0_sectors", blockSectors, mostSectors, 0)
	if s.Sectors%blockSectors != 0 {
		f.fail(o.v, o.under("sectors"), "%d is not a whole number of ECC blocks of %d sectors", s.Sectors, blockSectors)
	}
	if first%blockSectors != 0 {
		f.fail(o.v, o.under("layer0_sectors"), "%d is not a whole number of ECC blocks of %d sectors", first, blockSectors)
	}
	s.medium = spiral.DVD(int(layers))
	held := []int64{s.Sectors}
	switch {
	case layers == 1 && first != 0:
		f.fail(o.v, o.under("layer0_sectors"), "the disc has one layer")
	case layers == 2:
		if first == 0 {
			first = (s.Sectors/blockSectors + 1) / 2 * blockSectors
		}
		if first >= s.Sectors {
			f.fail(o.v, o.under("layer0_sectors"), "%d of %d sectors leave none to the second layer", first, s.Sectors)
		}
		held = []int64{first, s.Sectors - first}
	}
	s.shape = s.medium.Shape(true, held...)
	s.shape.Pitch = o.number("pitch_um", 0.7, 0.8, s.shape.Pitch*1000) / 1000
	bit := o.number("channel_bit_nm", 125, 155, s.medium.Bit.Nominal*1e6) / 1e6
	s.shape.Sector = s.medium.SectorBits * bit
	s.shape.Inner = o.number("inner_mm", 20, 57, s.shape.Inner)
}

func (f *form) mark(s *Scenario, v value, path string) {
	kind, o := f.the(v, path, "scratch", "arc", "haze", "blot", "hole")
	switch kind {
	case "scratch":
		f.scratch(s, o)
	case "arc":
		f.arc(s, o)
	case "haze":
		f.haze(s, o)
	case "blot":
		f.blot(s, o)
	case "hole":
		f.hole(s, v, o)
	}
	o.done()
	if f.err == nil && kind != "haze" && !s.marks[len(s.marks)-1].onDisc() {
		f.fail(v, path, "lies outside the disc")
	}
	if n := len(s.hazes); n > mostHazes {
		f.fail(v, path, "more than %d hazes", mostHazes)
	}
}

// add puts a mark onto the disc.
func (f *form) add(s *Scenario, o *object, m mark) {
	if s.pieces += len(m.pieces); s.pieces > mostPieces {
		f.fail(o.v, o.path, "the marks have more than %d pieces", mostPieces)
		return
	}
	s.marks = append(s.marks, m)
}

func (f *form) scratch(s *Scenario, o *object) {
	m := mark{width: o.mustNumber("width_mm", narrowest, widestMark), depth: o.mustNumber("depth_um", 0, deepestMark)}
	var before [2]float64
	for i, v := range o.list("points_mm", 2, mostPieces) {
		p := f.pair(v, index(o.under("points_mm"), i), -farthest, farthest)
		if i > 0 {
			m.pieces = append(m.pieces, straight(before, p))
		}
		before = p
	}
	f.add(s, o, m)
}

func (f *form) arc(s *Scenario, o *object) {
	m := mark{width: o.mustNumber("width_mm", narrowest, widestMark), depth: o.mustNumber("depth_um", 0, deepestMark)}
	r := o.mustNumber("r_mm", 0.1, edge)
	from, to := f.angles(o, true)
	m.pieces = []piece{arc(r, from, to)}
	f.add(s, o, m)
}

func (f *form) blot(s *Scenario, o *object) {
	m := mark{width: 2 * o.mustNumber("radius_mm", narrowest, widestMark), depth: o.number("pit_um", 0, deepestMark, 0), blot: true}
	if v, ok := o.need("at_mm"); ok {
		p := f.pair(v, o.under("at_mm"), -farthest, farthest)
		m.pieces = []piece{straight(p, p)}
	}
	f.add(s, o, m)
}

func (f *form) haze(s *Scenario, o *object) {
	inner, outer := o.region("region_mm")
	from, to := f.angles(o, false)
	s.hazes = append(s.hazes, haze{
		inner: inner, outer: outer, from: from - math.Floor(from), span: to - from,
		density: o.mustNumber("density", 0, 100), edge: o.number("edge_mm", 0, edge, 0),
	})
}

// angles reads from_deg and to_deg, in turns.
func (f *form) angles(o *object, needed bool) (from, to float64) {
	if needed {
		o.need("from_deg")
		o.need("to_deg")
	}
	from = o.number("from_deg", -360, 720, 0)
	to = o.number("to_deg", -360, 1080, 360)
	if !(from < to && to <= from+360) && f.err == nil {
		f.fail(o.v, o.under("to_deg"), "%v is not above from_deg (%v) by at most 360", to, from)
	}
	return from / 360, to / 360
}

func (f *form) drive(s *Scenario, v value, path string) {
	o := f.object(v, path)
	g := s.gears()
	d := DriveSpec{
		gears:        g,
		Name:         o.text("name", longestName),
		Margin:       o.number("margin", 0, 1, usualMargin),
		Noise:        o.number("noise", 0.0001, 1, usualNoise),
		Servo:        o.number("servo_margin", 0, 1, usualServo),
		MaxX:         int(o.whole("max_x", 1, 100, int64(g.ladder[0]))),
		Retries:      uint8(o.whole("retries", 0, math.MaxUint8, usualRetries)),
		LeastRetries: uint8(o.whole("min_retries", 0, math.MaxUint8, 0)),
		Partial:      o.truth("partial"),
		Stall:        Stall{Chance: usualStall, LeastS: leastStall, MostS: mostStall, Needs: Waiting},
	}
	if w, ok := o.get("stall"); ok {
		f.stall(&d.Stall, f.object(w, o.under("stall")))
	}
	o.done()
	if d.Name == "" {
		f.fail(v, o.under("name"), "a drive needs one")
	}
	if _, ok := s.Drive(d.Name); ok {
		f.fail(v, o.under("name"), "%q is the name of two drives", d.Name)
	}
	if g.rungOf(d.MaxX) < 0 && f.err == nil {
		f.fail(v, o.under("max_x"), "%d is not one of %v", d.MaxX, g.ladder)
	}
	if d.Retries < d.LeastRetries {
		f.fail(v, o.under("retries"), "%d is below min_retries (%d)", d.Retries, d.LeastRetries)
	}
	s.Drives = append(s.Drives, d)
}

func (f *form) stall(st *Stall, o *object) {
	st.Chance = o.number("chance", 0, 1, usualStall)
	st.LeastS = o.number("min_s", 0, 3600, leastStall)
	st.MostS = o.number("max_s", 0, 3600, max(mostStall, st.LeastS))
	if st.MostS < st.LeastS {
		f.fail(o.v, o.under("max_s"), "%v is below min_s (%v)", st.MostS, st.LeastS)
	}
	switch c := Cure(o.text("needs", longestName)); c {
	case "":
	case Waiting, Reset, Reload:
		st.Needs = c
	default:
		f.fail(o.v, o.under("needs"), "%q is none of %s, %s, %s", c, Waiting, Reset, Reload)
	}
	st.Returns = o.text("returns_as", longestName)
	o.done()
}

func (f *form) round(s *Scenario, v value, path string) {
	o := f.object(v, path)
	var steps []Treatment
	for i, t := range o.list("treatments", 0, mostSteps) {
		steps = append(steps, f.treatment(t, index(o.under("treatments"), i)))
	}
	o.done()
	s.Rounds = append(s.Rounds, steps)
	most := 0.0
	for _, steps := range s.Rounds {
		for _, t := range steps {
			most += t.most()
		}
	}
	if most > deepestWork && f.err == nil {
		f.fail(v, path, "up to %.0f µm come off in all; the model bears %.0f", most, deepestWork)
	}
}

func (f *form) treatment(v value, path string) Treatment {
	kind, o := f.the(v, path, "sand", "polish")
	var t Treatment
	if kind != "" {
		t.Inner, t.Outer = o.region("region_mm")
	}
	switch kind {
	case "sand":
		t.Grit = int(o.mustWhole("grit", 1, 100_000))
		t.Strokes = int(o.mustWhole("strokes", 1, 1000))
		if _, _, ok := gritOf(t.Grit); !ok && f.err == nil {
			f.fail(o.v, o.under("grit"), "%d is not one that the model knows: 2000 or 3000", t.Grit)
		}
	case "polish":
		t.Seconds = o.mustNumber("seconds", 0, 36_000)
	}
	o.done()
	return t
}
