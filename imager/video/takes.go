package video

// Broken tells whether a stream's clock does not run on from one pack to another that
// begins so many bytes later. A clock is given at least every 0.7 s (13818-1, 2.7.1
// [memory]), and no stream of people's films takes less than slowest bytes a second;
// where far less time went by than the bytes take at the rate that the pack claims,
// another clock has come to a later time by chance.
func Broken(a, b Pack, bytes int64) bool {
	d := b.SCR - a.SCR
	if d < 0 || d > Second+Ticks(bytes)*Second/slowest {
		return true
	}
	return a.Rate > 0 && (d+Second)*Ticks(a.Rate)*claimed < Ticks(bytes)*Second
}

const (
	slowest = 32_000
	claimed = 4 // by how much a claimed rate may be too low
)

// stride is how far apart the packs are whose clocks are looked at, to find out where
// a stream's clock breaks without reading all of it. A take of less time than this
// takes, between two of others, may go unnoticed.
const stride = 1 << 20

// takes is the parts of a stream in which the clock runs on.
func (r *reader) takes(in Span) []Span {
	r.ahead = glance
	defer func() { r.ahead = window }()
	cut := []int64{in.First}
	var last Pack
	lastAt := int64(-1)
	look := func(at, end int64) {
		s := r.scanAt(at, end)
		if !s.seekNear(at) {
			return
		}
		h, ok := ParsePack(r.peek(s.pack, packSpace))
		if !ok || s.pack <= lastAt {
			return
		}
		if lastAt >= 0 && Broken(last, h, s.pack-lastAt) {
			cut = append(cut, r.breaks(Span{lastAt, s.pack + 1})...)
		}
		last, lastAt = h, s.pack
	}
	for at := in.First; at < in.End && r.err == nil; at += stride {
		look(at, min(at+stride, in.End))
	}
	look(max(in.First, in.End-window/2), in.End)
	var all []Span
	for i, first := range cut {
		end := in.End
		if i+1 < len(cut) {
			end = cut[i+1]
		}
		if first < end {
			all = append(all, Span{first, end})
		}
	}
	return all
}

// seekNear is seek that gives up where nothing looks like a pack for a while.
func (s *scanner) seekNear(at int64) bool {
	end := s.end
	s.end = min(end, at+window)
	ok := s.seek()
	s.end = end
	return ok
}

// breaks is where the clock breaks among the packs that begin in a span.
func (r *reader) breaks(in Span) (at []int64) {
	r.ahead = window
	defer func() { r.ahead = glance }()
	s := r.scanAt(in.First, in.End)
	var last Pack
	lastAt := int64(-1)
	for s.seek() {
		h, ok := ParsePack(r.peek(s.pack, packSpace))
		if ok && lastAt >= 0 && Broken(last, h, s.pack-lastAt) {
			at = append(at, s.pack)
		}
		if ok {
			last, lastAt = h, s.pack
		}
		s.pack = -1
	}
	return at
}
