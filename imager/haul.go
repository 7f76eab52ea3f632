package imager

import (
	"context"
	"errors"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// haul is what is to be taken from one pass of a source.
type haul struct {
	from   supply
	beside bool       // from what the source keeps beside its image
	pass   int        // of the source
	fresh  sector.Set // not good here
	other  sector.Set // good here, with other data

	sums func(dst []uint32, r sector.Range) []uint32 // appends the source's checksums; nil: it has none
}

func (h *haul) empty() bool { return h.fresh.Empty() && h.other.Empty() }

func (h *haul) count() int64 { return h.fresh.Count() + h.other.Count() }

// haul is the beginning of a haul of what the image has from a pass.
func (s *Source) haul(pass int) haul {
	h := haul{from: s.from, pass: pass}
	if s.m != nil {
		h.sums = func(dst []uint32, r sector.Range) []uint32 {
			for _, part := range s.m.Sums(r) {
				dst = append(dst, part...)
			}
			return dst
		}
	}
	return h
}

// haulBeside is the beginning of a haul of what the source keeps of a pass beside its
// image. Its sums are filled in with its sectors.
func (s *Source) haulBeside(pass int) (haul, map[sector.LBA]uint32) {
	sums := map[sector.LBA]uint32{}
	return haul{from: s.from, beside: true, pass: pass,
		sums: func(dst []uint32, r sector.Range) []uint32 {
			for a := r.First; a < r.End; a++ {
				dst = append(dst, sums[a])
			}
			return dst
		}}, sums
}

// imageHauls is what the source's image has and the case lacks, or has
// otherwise, by the source's passes. An image without checksums is read for it
// where both are good, which ends with ctx. Absent is sectors that differ and of which
// the source does not hold the data.
func (s *Source) imageHauls(ctx context.Context, m *mapfile.Map, tell func(at sector.Range)) (hauls []haul, absent sector.Set, err error) {
	here := goodOf(m)
	if s.m == nil {
		h := s.haul(0)
		h.fresh = s.good.Subtract(&here)
		h.other = h.readDiffering(ctx, m, s.good.Intersect(&here), tell)
		return []haul{h}, absent, ctx.Err()
	}
	hauls = make([]haul, len(s.m.Passes()))
	for n := range hauls {
		won := s.m.WonSet(n)
		if s.list != nil {
			won = won.Intersect(&s.list.Image)
		}
		hauls[n] = s.haul(n)
		hauls[n].fresh = won.Subtract(&here)
	}
	differing(m, s.m, func(at sector.LBA, sum uint32) {
		switch {
		case met(m, at, sum):
		case s.list != nil && !s.list.Image.Contains(at):
			absent.Add(sector.Span(at, 1))
		default:
			n, _ := s.m.Winner(at)
			hauls[n].other.Add(sector.Span(at, 1))
		}
	})
	return hauls, absent, nil
}

// keptHauls is the other sides of the source's own conflicts that the case does
// not know, by the passes that brought them. They come after the hauls of the
// image: where the case has no side of a conflict, there is nothing to keep one
// beside.
func (s *Source) keptHauls(m *mapfile.Map) []haul {
	if s.m == nil {
		return nil
	}
	hauls := make([]haul, len(s.m.Passes()))
	sums := make([]map[sector.LBA]uint32, len(hauls))
	for n := range hauls {
		hauls[n], sums[n] = s.haulBeside(n)
	}
	for _, c := range s.m.Conflicts() {
		listed := s.list == nil || s.list.Others.Contains(c.At)
		if listed && m.State(c.At) == mapfile.Good && !met(m, c.At, c.Other) {
			hauls[c.OtherPass].other.Add(sector.Span(c.At, 1))
			sums[c.OtherPass][c.At] = c.Other
		}
	}
	return hauls
}

// met tells whether some pass of the case brought that data of a sector.
func met(m *mapfile.Map, a sector.LBA, sum uint32) bool {
	_, ok := m.Brought(a, sum)
	return ok
}

// largest is how many sectors a merge reads at a time: 256 KiB. They go from the
// reading over the checksum to the writing within a processor's cache: 1 MiB and
// 64 KiB were both slower (BenchmarkMerge).
const largest = 128

// pieces goes through a set in ranges of at most largest sectors.
func pieces(set *sector.Set, yield func(sector.Range) bool) bool {
	for r := range set.Runs() {
		for r.First < r.End {
			part := sector.Span(r.First, min(largest, r.Count()))
			if !yield(part) {
				return false
			}
			r.First = part.End
		}
	}
	return true
}

// readDiffering reads the sectors of both, without checksums, and says which are
// other than the map's checksums say, and not known. What can't be read is passed
// over: it is good here. It ends with ctx.
func (h *haul) readDiffering(ctx context.Context, m *mapfile.Map, both sector.Set, tell func(at sector.Range)) sector.Set {
	var found sector.Set
	p := parcel{data: make([]byte, largest*sector.Size)}
	pieces(&both, func(r sector.Range) bool {
		if ctx.Err() != nil {
			return false
		}
		tell(r)
		p.fill(h, r, nil)
		for _, came := range p.whole {
			for part, want := range m.Sums(came) {
				for i, sum := range want {
					at := part.First + sector.LBA(i)
					if got := p.sums[at-r.First]; got != sum && !met(m, at, got) {
						found.Add(sector.Span(at, 1))
					}
				}
			}
		}
		return true
	})
	return found
}

// parcel is neighbouring sectors of a source on their way into the case.
type parcel struct {
	at    sector.Range
	fresh bool // not good here; else other data of good sectors
	data  []byte
	sums  []uint32       // of data
	whole []sector.Range // parts of at that are what the source says
	lost  []sector.Range // the rest: it can't be read, or is other than the source says
	end   error          // an errNoMore: at ends where no more came, and no parcel follows
}

// fetch reads a haul, in order of address, ahead of whoever takes the parcels. Each is
// given back by sending it to free. The reading ends with ctx, or with the supply; the
// channel is closed then.
func (h *haul) fetch(ctx context.Context) (parcels <-chan *parcel, free chan<- *parcel) {
	const ahead = 4
	out, back := make(chan *parcel, ahead), make(chan *parcel, ahead)
	for range ahead {
		back <- &parcel{}
	}
	go func() {
		defer close(out)
		var want []uint32
		all := h.fresh.Union(&h.other)
		pieces(&all, func(r sector.Range) bool {
			for at := r; !at.Empty(); {
				part, fresh := h.alike(at)
				at.First = part.End
				var p *parcel
				select {
				case p = <-back:
				case <-ctx.Done():
					return false
				}
				if p.data == nil {
					p.data = make([]byte, largest*sector.Size)
				}
				want = want[:0]
				if h.sums != nil {
					want = h.sums(want, part)
				}
				p.fill(h, part, want)
				p.fresh = fresh
				out <- p // there is room for all parcels
				if p.end != nil {
					return false
				}
			}
			return true
		})
	}()
	return out, back
}

// alike is the sectors at the beginning of r that are all fresh or all other.
func (h *haul) alike(r sector.Range) (part sector.Range, fresh bool) {
	fresh = h.fresh.Contains(r.First)
	set := &h.other
	if fresh {
		set = &h.fresh
	}
	part, _ = set.Next(r.First)
	return part.Intersect(r), fresh
}

// fill reads the sectors of r and holds them against the source's checksums.
func (p *parcel) fill(h *haul, r sector.Range, want []uint32) {
	p.at, p.end, p.data = r, nil, p.data[:r.Bytes()]
	p.whole, p.lost = p.whole[:0], p.lost[:0]
	var unread sector.Set
	singly := false
	for a := r.First; a < r.End && p.end == nil; {
		ask := sector.Range{First: a, End: r.End}
		if singly {
			ask.End = a + 1
		}
		n, err := h.from.sectors(h.beside, h.pass, p.data[(a - r.First).Offset():][:ask.Bytes()], a)
		a += sector.LBA(n)
		switch {
		case errors.Is(err, errNoMore):
			p.end, p.at.End = err, a
		case err != nil && ask.Count() > 1: // of several none may have come for one
			singly = true
		case err != nil:
			unread.Add(ask)
			a++
		}
	}
	p.data = p.data[:p.at.Bytes()]
	p.sums = mapfile.AppendSums(p.sums[:0], p.data)
	for a := p.at.First; a < p.at.End; a++ {
		i := int(a - r.First)
		if unread.Contains(a) || want != nil && want[i] != p.sums[i] {
			p.lost = extend(p.lost, a)
		} else {
			p.whole = extend(p.whole, a)
		}
	}
}

// extend adds a sector behind ranges that are in order.
func extend(all []sector.Range, a sector.LBA) []sector.Range {
	if n := len(all); n > 0 && all[n-1].End == a {
		all[n-1].End++
		return all
	}
	return append(all, sector.Span(a, 1))
}
