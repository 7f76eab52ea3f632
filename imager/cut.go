package imager

import (
	"context"
	"errors"
	"fmt"
	"path"

	"turnstone/imager/video"
)

// Films can be written out cut, so that players open them: without what is missing, and
// without what could not be decoded beside it; and, where a file is several recordings
// behind each other, each by itself.
//
//	in the image  │ group │ gr··│·····│··up │ group │     · missing
//	cut           │ group │ gr┤              ├ group │
//
// What is kept begins where decoding can begin and ends where bytes end, or where a
// recording does. DVD-Video's files are not taken apart: their titles are not files.

// takesTail is how the name of the folder of a film's recordings ends.
const takesTail = " takes"

// cutPart is a part of a film that is written as a file.
type cutPart struct {
	as   string
	keep []video.Span
}

// cuts is what a job is written as; none where it is written as it is.
func (x *extractor) cuts(j job) (parts []cutPart, err error) {
	if !x.o.Cut || !isFilm(j.Name) {
		return nil, nil
	}
	film, err := x.f.film(j.File)
	if err != nil || film.Play == nil || film.protected() {
		return nil, err
	}
	takes := film.Play.Takes
	apart := len(takes) > 1 && !dvdName.MatchString(j.Name)
	if !apart && len(film.Play.Gaps) == 0 {
		return nil, nil
	}
	if !apart {
		return []cutPart{{j.as, film.keep(video.Span{End: film.src.Size()})}}, nil
	}
	for i, t := range takes {
		name := fmt.Sprintf("%03d at %s.mpg", i+1, dashed(t.From))
		if keep := film.keep(t.Bytes); len(keep) > 0 {
			parts = append(parts, cutPart{path.Join(j.takes, name), keep})
		}
	}
	return parts, nil
}

// keep is what of a span is worth keeping: all but what is missing and what can't be
// decoded behind it.
func (f *Film) keep(in video.Span) (spans []video.Span) {
	at := in.First
	add := func(end int64) {
		if at < end {
			spans = append(spans, video.Span{First: at, End: end})
		}
	}
	for _, g := range f.Play.Gaps {
		if g.Bytes.End <= at || g.Bytes.First >= in.End {
			continue
		}
		for h := range f.src.Holes(video.Span{First: max(at, g.Bytes.First), End: min(g.Bytes.End, in.End)}) {
			add(h.First)
			break
		}
		at = max(at, min(g.Bytes.End, in.End))
	}
	add(in.End)
	return spans
}

// cutFile writes a film cut, and the list of what it lacks.
func (x *extractor) cutFile(ctx context.Context, j job, parts []cutPart) error {
	film := Film{src: x.f.streamOf(j.File)}
	for _, p := range parts {
		if err := ctx.Err(); err != nil {
			return err
		}
		if x.o.Progress != nil {
			x.o.Progress(x.done, x.bytes, p.as)
		}
		w, err := x.out.create(p.as)
		if err != nil {
			return err
		}
		w.counts = true
		size := int64(0)
		for _, s := range p.keep {
			if size, err = film.copyTo(w, size, s); err != nil {
				break
			}
		}
		if err == nil {
			err = w.finish(size, j.Modified)
		}
		if err != nil {
			return errors.Join(err, w.drop())
		}
		if err := x.out.place(w); err != nil {
			return err
		}
		x.done += size
	}
	l := newLacks(j)
	l.cut = true
	for gap := range x.f.Missing(j.File) {
		l.add(gap, fillMissing)
	}
	if l.empty() {
		return nil
	}
	x.f.disputedSpans(j.File, l.dispute)
	x.res.Damaged = append(x.res.Damaged, DamagedFile{Path: j.as, List: j.list, Missing: l.missing, Disputed: j.Disputed, Why: j.Why})
	list, err := x.list(j, l.text())
	if err != nil {
		return err
	}
	return x.out.place(list)
}
