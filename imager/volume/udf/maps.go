package udf

import (
	"fmt"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// Of a partition map (3/10.7).
const (
	mapHead      = 440 // where the maps begin in the descriptor
	mostMaps     = 8
	mapPlainSize = 6
	mapOtherSize = 64
)

// maps resolves the partition maps of the logical volume descriptor.
func (v *volume) maps() bool {
	b := v.seq.logical
	if n := le.Uint32(b[212:]); n != sector.Size {
		v.s.Report(problem(fmt.Sprintf("a UDF volume with blocks of %d bytes is not read", n)))
		return false
	}
	number, length := int(le.Uint32(b[268:])), int(le.Uint32(b[264:]))
	all := b[mapHead:min(len(b), mapHead+min(length, len(b)))]
	if number == 0 || number > mostMaps {
		v.s.Report(problem("the logical volume has an impossible number of partitions"))
		return false
	}
	var later []func()
	v.parts = make([]part, number)
	for i := range number {
		if len(all) < 2 || int(all[1]) > len(all) || all[1] < mapPlainSize {
			v.s.Report(problem("the partition maps are cut short"))
			return false
		}
		m := all[:all[1]]
		all = all[all[1]:]
		if m[0] == 1 {
			if p, ok := v.plain(le.Uint16(m[4:])); ok {
				v.parts[i] = p
			}
			continue
		}
		if len(m) < mapOtherSize {
			v.s.Report(problem("a partition map is too short"))
			return false
		}
		under, ok := v.plain(le.Uint16(m[38:]))
		if !ok {
			continue
		}
		switch id := dotless(m[5:28]); id {
		case "*UDF Sparable Partition":
			packet, moved, ok := v.sparingTables(m)
			if !ok {
				v.doubt("no sparing table is there: what was moved elsewhere is not known")
			}
			v.parts[i] = sparable{under, max(packet, 1), moved}
		case "*UDF Virtual Partition":
			later = append(later, func() { v.parts[i] = v.virtual(v.like(m, i, under)) })
		case "*UDF Metadata Partition":
			later = append(later, func() { v.parts[i] = v.metadata(m, v.like(m, i, under)) })
		default:
			v.s.Report(problem(fmt.Sprintf("a partition of the unknown kind %q is not read", id)))
		}
	}
	for _, f := range later {
		f()
	}
	return true
}

// dotless is an identifier without the zeros behind it.
func dotless(b []byte) string {
	for len(b) > 0 && b[len(b)-1] == 0 {
		b = b[:len(b)-1]
	}
	return string(b)
}

// plain is the partition with a number, as its descriptor tells.
func (v *volume) plain(number uint16) (plain, bool) {
	p, ok := v.seq.parts[number]
	if !ok {
		v.s.Report(problem(fmt.Sprintf("the descriptor of partition %d is missing", number)))
	}
	return plain{p.start}, ok
}

// like is the partition that map i lies upon: the sparable one of the same number
// where there is one.
func (v *volume) like(m []byte, i int, under plain) part {
	for j, p := range v.parts {
		if s, ok := p.(sparable); ok && j != i && s.plain == under {
			return s
		}
	}
	return under
}

// metadata reads the metadata file's entry and its mirror's.
func (v *volume) metadata(m []byte, under part) part {
	read := func(block uint32, what string) ([]stretch, []sector.LBA) {
		at, _, _, ok := under.place(int64(block))
		if !ok || block == unusedBlock {
			return nil, nil
		}
		b := v.s.Read(at, tree.Table)
		if b == nil {
			return nil, []sector.LBA{at}
		}
		e, wrong := v.parseEntry(b, at, int64(block))
		if wrong != "" {
			v.s.Wrong(at, "the entry of %s: %s", what, wrong)
			return nil, nil
		}
		var all []stretch
		var n tree.Node
		v.extents(&n, e, under)
		for _, x := range n.Extents {
			if x.Place == tree.Recorded {
				all = append(all, stretch{x.Offset / sector.Size, (x.Length + sector.Size - 1) / sector.Size, sector.LBA(x.At / sector.Size)})
			}
		}
		return all, nil
	}
	main, lackMain := read(le.Uint32(m[40:]), "the metadata file")
	mirror, lackMirror := read(le.Uint32(m[44:]), "the metadata mirror file")
	serves := func(other []stretch, by string) string {
		if other == nil {
			return ""
		}
		return by
	}
	for _, a := range lackMain {
		v.s.Lacks(a, "the metadata file's entry", serves(mirror, "the mirror's serves"))
	}
	for _, a := range lackMirror {
		v.s.Lacks(a, "the metadata mirror file's entry", serves(main, "the main one serves"))
	}
	if main == nil {
		main, mirror = mirror, nil
	}
	return metadata{main, mirror}
}
