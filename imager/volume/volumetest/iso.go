package volumetest

import (
	"encoding/binary"
	"strings"
	"unicode/utf16"
)

// ISOOptions is what an ISO 9660 volume has.
type ISOOptions struct {
	RockRidge, Joliet bool
	Session           int // sector where it begins
	Label             string
	// Continued puts NM and TF of every record into continuation areas.
	Continued bool
	// NoPrimaryName leaves names in their own characters in the primary tree too, as
	// level 4 does.
	AsTheyAre bool
}

// ISO appends an ISO 9660 session to data, which holds the sectors before it, and
// gives the whole.
func ISO(data []byte, root File, o ISOOptions) []byte {
	w := &isoWriter{image: image{data}, o: o}
	w.at(o.Session+16, 0)
	next := o.Session + 18
	if o.Joliet {
		next++
	}
	if o.RockRidge {
		root = relocate(root)
	}
	trees := []*isoDir{w.tree(root, nil, false)}
	if o.Joliet {
		trees = append(trees, w.tree(root, nil, true))
	}
	// Places: path tables, directories with their continuation areas, files.
	type tables struct{ l, m, size int }
	var places []tables
	for _, t := range trees {
		size := len(w.pathTable(t, binary.LittleEndian))
		places = append(places, tables{next, next + sectors(size), size})
		next += 2 * sectors(size)
	}
	for _, t := range trees {
		for _, d := range t.all() {
			d.first, d.size = next, w.measure(d)
			next += sectors(d.size)
			if o.Continued {
				d.area = next
				next += 1 + len(d.entries)/8
			}
		}
	}
	for _, d := range trees[0].all() {
		for _, e := range d.entries {
			e.first = next
			next += sectors(len(e.file.Data))
			if e.file.Link == "" && !e.file.Dir {
				copy(w.at(e.first, len(e.file.Data)), e.file.Data)
			}
		}
	}
	if o.Joliet {
		samePlaces(trees[0], trees[1])
	}
	w.end = next
	for i, t := range trees {
		p := places[i]
		copy(w.at(p.l, p.size), w.pathTable(t, binary.LittleEndian))
		copy(w.at(p.m, p.size), w.pathTable(t, binary.BigEndian))
		for _, d := range t.all() {
			w.directory(d)
		}
		w.descriptor(o.Session+16+i, byte(1+i), t, p.l, p.m, p.size)
	}
	copy(w.at(o.Session+16+len(trees), 7), "\xffCD001\x01")
	w.at(next+8, 0)
	return w.data
}

type isoWriter struct {
	image
	o   ISOOptions
	end int
}

// isoDir is a directory of one tree, isoEntry what it lists.
type isoDir struct {
	parent      *isoDir
	file        File
	joliet      bool
	entries     []*isoEntry
	first, size int
	area, used  int
	number      int
}

type isoEntry struct {
	file    File
	first   int
	dir     *isoDir
	standIn *isoDir // the directory that a record stands for
	moved   bool
}

// relocate moves directories that are to be kept elsewhere into rr_moved, and
// leaves a file of their names.
func relocate(root File) File {
	var kept []File
	var below func(f File) File
	below = func(f File) File {
		children := f.Children
		f.Children = nil
		for _, c := range children {
			c = below(c)
			if c.Dir && c.Relocated {
				kept = append(kept, c)
				c.Children, c.Dir = nil, false
			}
			f.Children = append(f.Children, c)
		}
		return f
	}
	root = below(root)
	if len(kept) > 0 {
		root.Children = append(root.Children, File{Name: "rr_moved", Dir: true, Children: kept})
	}
	return root
}

func (w *isoWriter) tree(f File, parent *isoDir, joliet bool) *isoDir {
	d := &isoDir{parent: parent, file: f, joliet: joliet}
	if parent == nil {
		d.parent = d
	}
	for _, c := range f.Children {
		e := &isoEntry{file: c}
		if c.Dir {
			e.dir = w.tree(c, d, joliet)
			e.moved = f.Name == "rr_moved" && w.o.RockRidge
		}
		d.entries = append(d.entries, e)
	}
	if parent == nil {
		for _, x := range d.all() {
			for _, e := range x.entries {
				if e.file.Relocated && !e.file.Dir {
					for _, y := range d.all() {
						if y.file.Relocated && y.file.Name == e.file.Name {
							e.standIn = y
						}
					}
				}
			}
		}
	}
	return d
}

// all is the directories, each level after the one above, as path tables want them.
func (d *isoDir) all() []*isoDir {
	all := []*isoDir{d}
	for i := 0; i < len(all); i++ {
		all[i].number = i + 1
		for _, e := range all[i].entries {
			if e.dir != nil {
				all = append(all, e.dir)
			}
		}
	}
	return all
}

func samePlaces(a, b *isoDir) {
	x, y := a.all(), b.all()
	for i := range x {
		for j := range x[i].entries {
			y[i].entries[j].first = x[i].entries[j].first
		}
	}
}

// name is an entry's name as recorded.
func (w *isoWriter) name(f File, joliet bool) string {
	if joliet {
		var b []byte
		for _, u := range utf16.Encode([]rune(f.Name)) {
			b = binary.BigEndian.AppendUint16(b, u)
		}
		return string(b[:min(len(b), 2*64)])
	}
	if w.o.AsTheyAre {
		return f.Name
	}
	s := strings.Map(func(r rune) rune {
		if r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '.' {
			return r
		}
		return '_'
	}, strings.ToUpper(f.Name))
	stem, ext, _ := strings.Cut(s, ".")
	s = stem[:min(len(stem), 20)]
	if f.Dir {
		return s
	}
	return s + "." + ext[:min(len(ext), 8)] + ";1"
}

func both(n int) []byte {
	return binary.BigEndian.AppendUint32(binary.LittleEndian.AppendUint32(nil, uint32(n)), uint32(n))
}

func both16(n int) []byte {
	return binary.BigEndian.AppendUint16(binary.LittleEndian.AppendUint16(nil, uint16(n)), uint16(n))
}

func shortTime() []byte {
	t := When
	return []byte{byte(t.Year() - 1900), byte(t.Month()), byte(t.Day()), byte(t.Hour()), byte(t.Minute()), byte(t.Second()), 0}
}

// record is a directory record.
func record(name string, first, size int, flags byte, unit, gap byte, use []byte) []byte {
	b := append([]byte{0, 0}, both(first)...)
	b = append(b, both(size)...)
	b = append(b, shortTime()...)
	b = append(b, flags, unit, gap)
	b = append(b, both16(1)...)
	b = append(b, byte(len(name)))
	b = append(b, name...)
	if len(name)%2 == 0 {
		b = append(b, 0)
	}
	b = append(b, use...)
	if len(b)%2 == 1 {
		b = append(b, 0)
	}
	b[0] = byte(len(b))
	return b
}

func susp(signature string, body ...byte) []byte {
	return append([]byte{signature[0], signature[1], byte(4 + len(body)), 1}, body...)
}

// use is the system use of an entry's record.
func (w *isoWriter) use(d *isoDir, e *isoEntry) []byte {
	if !w.o.RockRidge || d.joliet {
		return nil
	}
	mode := 0o100644
	switch {
	case e.file.Dir:
		mode = 0o040755
	case e.file.Link != "":
		mode = 0o120777
	}
	px := append(append(append(both(mode), both(1)...), both(0)...), both(0)...)
	use := susp("PX", px...)
	nm := susp("NM", append([]byte{0}, e.file.Name...)...)
	tf := susp("TF", append([]byte{2}, shortTime()...)...)
	if e.moved {
		use = append(use, susp("RE")...)
	}
	if e.standIn != nil {
		use = append(use, susp("CL", both(e.standIn.first)...)...)
	}
	if e.file.Link != "" {
		sl := []byte{0}
		rest := e.file.Link
		if strings.HasPrefix(rest, "/") {
			sl, rest = append(sl, 8, 0), rest[1:]
		}
		for _, part := range strings.Split(rest, "/") {
			switch part {
			case "..":
				sl = append(sl, 4, 0)
			case ".":
				sl = append(sl, 2, 0)
			default:
				sl = append(append(sl, 0, byte(len(part))), part...)
			}
		}
		use = append(use, susp("SL", sl...)...)
	}
	rest := append(nm, tf...)
	if !w.o.Continued {
		return append(use, rest...)
	}
	ce := append(append(both(d.area+d.used/Size), both(d.used%Size)...), both(len(rest))...)
	if d.first > 0 { // places are known
		copy(w.at(d.area+d.used/Size, d.used%Size+len(rest))[d.used%Size:], rest)
		d.used += 256
	}
	return append(use, susp("CE", ce...)...)
}

// records is the records of a directory.
func (w *isoWriter) records(d *isoDir) [][]byte {
	var own []byte
	if w.o.RockRidge && !d.joliet && d.parent == d {
		own = susp("SP", 0xBE, 0xEF, 0)
	}
	d.used = 0
	all := [][]byte{record("\x00", d.first, sectors(d.size)*Size, 2, 0, 0, own), record("\x01", d.parent.first, sectors(d.parent.size)*Size, 2, 0, 0, nil)}
	for _, e := range d.entries {
		name, use := w.name(e.file, d.joliet), w.use(d, e)
		switch {
		case e.dir != nil:
			all = append(all, record(name, e.dir.first, sectors(e.dir.size)*Size, 2, 0, 0, use))
		case e.file.Interleaved:
			all = append(all, record(name, e.first, len(e.file.Data), 0, 2, 1, use))
		default:
			parts := max(1, e.file.Parts)
			step := sectors(len(e.file.Data)) / parts * Size
			for i := range parts {
				from, to := i*step, (i+1)*step
				flags := byte(1 << 7)
				if i == parts-1 {
					to, flags = len(e.file.Data), 0
				}
				all = append(all, record(name, e.first+from/Size, to-from, flags, 0, 0, use))
			}
		}
	}
	return all
}

func (w *isoWriter) measure(d *isoDir) int {
	n := 0
	for _, r := range w.records(d) {
		if n%Size+len(r) > Size {
			n = sectors(n) * Size
		}
		n += len(r)
	}
	return sectors(n) * Size
}

func (w *isoWriter) directory(d *isoDir) {
	n := 0
	for _, r := range w.records(d) {
		if n%Size+len(r) > Size {
			n = sectors(n) * Size
		}
		copy(w.at(d.first, n+len(r))[n:], r)
		n += len(r)
	}
	w.at(d.first, d.size)
}

func (w *isoWriter) pathTable(root *isoDir, order binary.AppendByteOrder) []byte {
	var b []byte
	for _, d := range root.all() {
		name := w.name(d.file, d.joliet)
		if d.parent == d {
			name = "\x00"
		}
		b = append(b, byte(len(name)), 0)
		b = order.AppendUint32(b, uint32(d.first))
		b = order.AppendUint16(b, uint16(d.parent.number))
		b = append(b, name...)
		if len(name)%2 == 1 {
			b = append(b, 0)
		}
	}
	return b
}

func (w *isoWriter) descriptor(a int, kind byte, root *isoDir, l, m, size int) {
	b := w.at(a, Size)
	clear(b)
	b[0], b[6] = kind, 1
	copy(b[1:], "CD001")
	label := w.o.Label
	if kind == 2 {
		copy(b[88:], "%/E")
		label = w.name(File{Name: label}, true)
	}
	copy(b[40:72], label)
	copy(b[80:], both(w.end))
	copy(b[120:], both16(1))
	copy(b[124:], both16(1))
	copy(b[128:], both16(Size))
	copy(b[132:], both(size))
	binary.LittleEndian.PutUint32(b[140:], uint32(l))
	binary.BigEndian.PutUint32(b[148:], uint32(m))
	copy(b[156:], record("\x00", root.first, sectors(root.size)*Size, 2, 0, 0, nil))
	copy(b[813:], When.Format("20060102150405")+"00\x00")
	b[881] = 1
}
