package imager

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"

	"turnstone/device/sector"
	"turnstone/imager/video"
	"turnstone/imager/volume/tree"
	"turnstone/mapfile"
)

// Place is a place in a film that is worth looking at, as a clip.
type Place struct {
	Film *Film
	At   time.Duration // of its play time, about
	Why  PlaceWhy
	Clip video.Clip
	File string // the clip's file, where it was written
}

// PlaceWhy is why a place is worth looking at.
type PlaceWhy uint8

const (
	PlaceSample PlaceWhy = iota // it shows what the film is like
	PlaceGap                    // something is missing there
	PlaceJoin                   // what two rounds won meets there
)

// String is the reason in words.
func (w PlaceWhy) String() string { return [...]string{"sample", "gap", "join of rounds"}[w] }

// Skipped is a film of which no clips are cut, and why.
type Skipped struct {
	Film *Film
	Why  string
}

// clipTime is how long a clip is, about: long enough to see what a film is, short enough
// to look at many.
const clipTime = 10 * time.Second

// Most places of each kind in a film.
const (
	mostGapPlaces  = 10
	mostJoinPlaces = 10
)

// Peek is places at a quarter, half and three quarters of each film.
func (f *Files) Peek(films []Film) (places []Place, skipped []Skipped, err error) {
	return placesOf(films, (*Film).samples)
}

// placesOf is the places of the films that clips can be cut of.
func placesOf(films []Film, in func(x *Film) ([]Place, error)) (places []Place, skipped []Skipped, err error) {
	for i := range films {
		x := &films[i]
		if why := x.uncut(); why != "" {
			skipped = append(skipped, Skipped{x, why})
			continue
		}
		some, err := in(x)
		if err != nil {
			return nil, nil, err
		}
		places = append(places, some...)
	}
	return places, skipped, nil
}

// WorthWatching is the places of each film where a person should look, in order: around
// the longest gaps, where rounds join, and samples.
func (f *Files) WorthWatching(films []Film) (places []Place, skipped []Skipped, err error) {
	rounds := f.rounds()
	return placesOf(films, func(x *Film) ([]Place, error) { return x.worthWatching(rounds) })
}

// worthWatching is the places of one film.
func (f *Film) worthWatching(rounds []sector.Set) ([]Place, error) {
	some, err := f.samples()
	if err != nil {
		return nil, err
	}
	gaps := slices.Clone(f.Play.Gaps)
	slices.SortFunc(gaps, func(a, b video.Gap) int { return int((b.To - b.From) - (a.To - a.From)) })
	for _, g := range gaps[:min(len(gaps), mostGapPlaces)] {
		if some, err = f.around(some, PlaceGap, g.Bytes, g.From); err != nil {
			return nil, err
		}
	}
	if f.src.beside {
		rounds = f.src.f.beside.rounds
	}
	joins := f.joins(rounds)
	for k := range min(len(joins), mostJoinPlaces) {
		at := joins[k*len(joins)/min(len(joins), mostJoinPlaces)] // spread evenly
		if some, err = f.around(some, PlaceJoin, video.Span{First: at, End: at + 1}, f.timeAt(at)); err != nil {
			return nil, err
		}
	}
	slices.SortStableFunc(some, func(a, b Place) int { return int(a.At - b.At) })
	return some, nil
}

// uncut is why no clip can be cut of a film; "" where it can.
func (f *Film) uncut() string {
	if f.Play == nil {
		return "it can't be cut without decoding it"
	}
	if f.protected() {
		return "it is protected, and left alone"
	}
	return ""
}

// protected tells whether the film is scrambled, by some of its packs.
func (f *Film) protected() bool {
	var b [sector.Size]byte
	for _, p := range f.parts {
		for at, n := p.First, 0; at < p.End && n < 64; at, n = at+max(1, p.Len()/64/sector.Size)*sector.Size, n+1 {
			for near := range int64(8) {
				if n, _ := f.src.ReadAt(b[:], at+near*sector.Size); n == len(b) && video.Protected(b[:]) {
					return true
				}
			}
		}
	}
	return false
}

// samples is places at a quarter, half and three quarters of a film's bytes; fewer where
// they fall together.
func (f *Film) samples() (places []Place, err error) {
	all := int64(0)
	for _, p := range f.parts {
		all += p.Len()
	}
	for k := range int64(3) {
		at := f.byteAt(all * (k + 1) / 4)
		c, err := video.ClipAt(f.src, at, clipTime)
		if errors.Is(err, video.ErrNoStream) {
			continue
		} else if err != nil {
			return nil, err
		}
		places = f.add(places, Place{Film: f, At: f.timeAt(c.Bytes.First), Why: PlaceSample, Clip: c})
	}
	return places, nil
}

// byteAt is where in src the n-th byte of the film's parts lies, in whole sectors.
func (f *Film) byteAt(n int64) int64 {
	for _, p := range f.parts {
		if n < p.Len() {
			return p.First + n/sector.Size*sector.Size
		}
		n -= p.Len()
	}
	return 0
}

// around adds a clip around a place, if none that is there shows it already.
func (f *Film) around(places []Place, why PlaceWhy, bytes video.Span, at time.Duration) ([]Place, error) {
	if slices.ContainsFunc(places, func(p Place) bool {
		return p.Why != PlaceSample && p.Clip.Bytes.First <= bytes.First && bytes.End <= p.Clip.Bytes.End
	}) {
		return places, nil
	}
	c, err := video.ClipAround(f.src, bytes, clipTime/2, clipTime/2)
	if errors.Is(err, video.ErrNoStream) {
		return places, nil
	} else if err != nil {
		return nil, err
	}
	// A sample that shows the same says less.
	places = slices.DeleteFunc(places, func(p Place) bool { return p.Why == PlaceSample && overlap(p.Clip.Bytes, c.Bytes) })
	return f.add(places, Place{Film: f, At: max(0, at-clipTime/2), Why: why, Clip: c}), nil
}

// add adds a place, if no other has its clip.
func (f *Film) add(places []Place, p Place) []Place {
	if slices.ContainsFunc(places, func(o Place) bool { return o.Clip.Bytes == p.Clip.Bytes }) {
		return places
	}
	return append(places, p)
}

func overlap(a, b video.Span) bool { return a.First < b.End && b.First < a.End }

// timeAt is about when a byte of src is shown, by where it lies in its take.
func (f *Film) timeAt(at int64) time.Duration {
	for _, t := range f.Play.Takes {
		if t.Bytes.First <= at && at < t.Bytes.End {
			return t.From + time.Duration(float64(t.Length)*float64(at-t.Bytes.First)/float64(t.Bytes.Len()))
		}
	}
	return 0
}

// rounds is the sectors that each round but the first won.
func (f *Files) rounds() []sector.Set {
	sets := make([]sector.Set, len(f.m.Rounds()))
	for n, p := range f.m.Passes() {
		if p.Round > 0 {
			won := f.m.WonSet(n)
			sets[p.Round] = sets[p.Round].Union(&won)
		}
	}
	return sets
}

// joins is where, in src, what another round won than what stands before it begins or
// ends, in order.
func (f *Film) joins(rounds []sector.Set) (at []int64) {
	size := int64(sector.Size)
	if f.src.beside {
		size = formTwoUser
	}
	for _, e := range f.src.extents {
		if e.Place != tree.Recorded {
			continue
		}
		in := sector.Range{First: sector.LBA(e.At / size), End: sector.LBA((e.At + e.Length + size - 1) / size)}
		for _, won := range rounds[min(1, len(rounds)):] {
			for run := range won.In(in) {
				for _, edge := range []sector.LBA{run.First, run.End} {
					b := e.Offset + int64(edge)*size - e.At
					if slices.ContainsFunc(f.parts, func(p video.Span) bool { return p.First < b && b < p.End }) {
						at = append(at, b)
					}
				}
			}
		}
	}
	slices.Sort(at)
	return slices.Compact(at)
}

// WriteClips writes the clips of places into dir, which must be absent or empty, and
// gives each the name of its file. What is missing is left out: a player goes on with the
// next pack. ErrFolderTaken is returned before anything is written.
func (f *Files) WriteClips(ctx context.Context, dir string, places []Place) (err error) {
	if _, err := emptyFolder(dir); err != nil {
		return err
	}
	out, err := openOutbox(dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, out.close(nil, true)) }()
	for i := range places {
		if err := ctx.Err(); err != nil {
			return err
		}
		p := &places[i]
		p.File = fmt.Sprintf("%02d %s at %s.mpg", i+1, plainName(p.Film.Name()), dashed(p.At))
		w, err := out.create(p.File)
		if err != nil {
			return err
		}
		n, err := p.Film.copyTo(w, 0, p.Clip.Bytes)
		if err == nil {
			err = w.finish(n, time.Time{})
		}
		if err != nil {
			return errors.Join(err, w.drop())
		}
		if err := out.place(w); err != nil {
			return err
		}
	}
	return nil
}

// copyTo writes what is there of a span of the film's bytes to a file, from one of its
// bytes on, without what is missing, and returns where that ends.
func (f *Film) copyTo(w *outFile, to int64, in video.Span) (int64, error) {
	buf := make([]byte, largest*sector.Size)
	for at := in.First; at < in.End; {
		n, err := f.src.ReadAt(buf[:min(int64(len(buf)), in.End-at)], at)
		if err != nil && !errors.Is(err, video.ErrMissing) {
			return to, err
		}
		if err := w.write(buf[:n], to); err != nil {
			return to, err
		}
		to += int64(n)
		if at += int64(n); n == 0 || err != nil {
			at = f.src.past(at)
		}
	}
	return to, nil
}

// plainName is a name for part of a file's: letters and digits of it.
func plainName(name string) string {
	var b strings.Builder
	for _, r := range safeName(name) {
		if r == '.' || r == '/' || r == '\\' || r == ':' {
			r = '-'
		}
		if unicode.IsPrint(r) && b.Len() < 60 {
			b.WriteRune(r)
		}
	}
	return b.String()
}

// dashed is a play time in a file's name.
func dashed(d time.Duration) string {
	s := int64(d / time.Second)
	return fmt.Sprintf("%d-%02d-%02d", s/3600, s/60%60, s%60)
}

// Watched notes that somebody has watched the films as the case stands now, and whether
// they can be handed over so.
func (c *Case) Watched(yes bool, by string) error {
	w := mapfile.Watched{At: c.now(), Yes: yes, By: by, Good: c.m.Count(mapfile.Good)}
	if err := c.m.SetWatched(w); err != nil {
		return err
	}
	c.m.AddEvent(mapfile.Event{Time: w.At, Pass: -1, Kind: KindWatched, Text: WatchedInWords(w)})
	return c.saveRecords()
}

// WatchedInWords is who watched what.
func WatchedInWords(w mapfile.Watched) string {
	s := "watched"
	if !w.Yes {
		s = "watched, and not as it should be"
	}
	if w.By != "" {
		s += ", by " + w.By
	}
	return s
}
