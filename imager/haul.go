package imager

import (
	"context"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// haul is what a merge takes from one pass of a source.
type haul struct {
	pass  int        // of the source
	fresh sector.Set // not good here
	other sector.Set // good here, with other data
	read  func(p []byte, at sector.LBA) error
	sums  func(dst []uint32, r sector.Range) []uint32 // appends the source's checksums; nil: it has none
}

func (h *haul) empty() bool { return h.fresh.Empty() && h.other.Empty() }

func (h *haul) count() int64 { return h.fresh.Count() + h.other.Count() }

// imageHauls is what the source's image has and the case lacks, or has
// otherwise, by the source's passes. An image without checksums is read for it
// where both are good, which ends with ctx.
func (s *Source) imageHauls(ctx context.Context, m *mapfile.Map, tell func(at sector.Range)) ([]haul, error) {
	here := goodOf(m)
	read := func(p []byte, at sector.LBA) error {
		_, err := s.image.ReadAt(p, at.Offset())
		return err
	}
	if s.m == nil {
		h := haul{read: read, fresh: s.good.Subtract(&here)}
		h.other = h.readDiffering(ctx, m, s.good.Intersect(&here), tell)
		return []haul{h}, ctx.Err()
	}
	sums := func(dst []uint32, r sector.Range) []uint32 {
		for _, part := range s.m.Sums(r) {
			dst = append(dst, part...)
		}
		return dst
	}
	hauls := make([]haul, len(s.m.Passes()))
	for n := range hauls {
		won := s.m.WonSet(n)
		hauls[n] = haul{pass: n, read: read, sums: sums, fresh: won.Subtract(&here)}
	}
	differing(m, s.m, func(at sector.LBA, sum uint32) {
		if !met(m, at, sum) {
			_, n, _ := s.m.Sum(at)
			hauls[n].other.Add(sector.Span(at, 1))
		}
	})
	return hauls, nil
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
		sums[n] = map[sector.LBA]uint32{}
		hauls[n] = haul{pass: n,
			read: func(p []byte, at sector.LBA) error { return s.kept(n, p, at) },
			sums: func(dst []uint32, r sector.Range) []uint32 {
				for a := r.First; a < r.End; a++ {
					dst = append(dst, sums[n][a])
				}
				return dst
			},
		}
	}
	for _, c := range s.m.Conflicts() {
		if m.State(c.At) == mapfile.Good && !met(m, c.At, c.Other) {
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
}

// fetch reads a haul ahead of whoever takes the parcels. Each is given back by
// sending it to free. The reading ends with ctx; the channel is closed then.
func (h *haul) fetch(ctx context.Context) (parcels <-chan *parcel, free chan<- *parcel) {
	const ahead = 4
	out, back := make(chan *parcel, ahead), make(chan *parcel, ahead)
	for range ahead {
		back <- &parcel{}
	}
	go func() {
		defer close(out)
		var want []uint32
		for _, set := range []*sector.Set{&h.fresh, &h.other} {
			done := pieces(set, func(r sector.Range) bool {
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
					want = h.sums(want, r)
				}
				p.fill(h, r, want)
				p.fresh = set == &h.fresh
				out <- p // there is room for all parcels
				return true
			})
			if !done {
				return
			}
		}
	}()
	return out, back
}

// fill reads the sectors of r and holds them against the source's checksums.
func (p *parcel) fill(h *haul, r sector.Range, want []uint32) {
	p.at, p.data = r, p.data[:r.Bytes()]
	p.whole, p.lost = p.whole[:0], p.lost[:0]
	var unread map[sector.LBA]bool
	if h.read(p.data, r.First) != nil {
		unread = map[sector.LBA]bool{}
		for a := r.First; a < r.End; a++ {
			unread[a] = h.read(p.sector(a), a) != nil
		}
	}
	p.sums = mapfile.AppendSums(p.sums[:0], p.data)
	for a := r.First; a < r.End; a++ {
		i := int(a - r.First)
		if unread[a] || want != nil && want[i] != p.sums[i] {
			p.lost = extend(p.lost, a)
		} else {
			p.whole = extend(p.whole, a)
		}
	}
}

// sector is the data of one sector.
func (p *parcel) sector(a sector.LBA) []byte {
	return p.data[(a - p.at.First).Offset():][:sector.Size]
}

// extend adds a sector behind ranges that are in order.
func extend(all []sector.Range, a sector.LBA) []sector.Range {
	if n := len(all); n > 0 && all[n-1].End == a {
		all[n-1].End++
		return all
	}
	return append(all, sector.Span(a, 1))
}
