package imager

import (
	"context"
	"errors"

	"turnstone/device/sector"
	"turnstone/imager/volume/tree"
)

// fill is what a part of a file is in the image.
type fill uint8

const (
	fillData    fill = iota
	fillZeros        // never recorded: reads as zeros
	fillMissing      // not in the image, or nobody knows where
	fillRotten       // in the image and not as it came
)

// errTooLarge is that a file says of itself that it is larger than the disc.
var errTooLarge = errors.New("it is larger than the disc, it says")

// bytesOf goes through the bytes of a file in order, in parts of at most 256 KiB that
// are alike. Data is valid until do returns; it is nil for what is none. An error of
// do or ctx ends it.
func (f *Files) bytesOf(ctx context.Context, x File, do func(at tree.Span, what fill, data []byte) error) error {
	if x.beside > 0 {
		return f.beside.bytesOf(ctx, x, do)
	}
	if x.known() > whole(f.img.sectors).Bytes() {
		return errTooLarge
	}
	if f.buf == nil {
		f.buf = make([]byte, largest*sector.Size)
	}
	for _, e := range x.Extents {
		if err := ctx.Err(); err != nil {
			return err
		}
		var err error
		all := tree.Span{First: e.Offset, End: e.Offset + e.Length}
		switch e.Place {
		case tree.Recorded:
			err = f.recorded(ctx, e, do)
		case tree.Zeros:
			err = do(all, fillZeros, nil)
		default:
			err = do(all, fillMissing, nil)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// recorded is bytesOf for an extent that lies in the image.
func (f *Files) recorded(ctx context.Context, e tree.Extent, do func(tree.Span, fill, []byte) error) error {
	at := e.Sectors().First
	missing := func(until sector.LBA) error {
		if at >= until {
			return nil
		}
		return do(spanOf(e, sector.Range{First: at, End: until}), fillMissing, nil)
	}
	for run := range f.img.good.In(e.Sectors()) {
		if err := missing(run.First); err != nil {
			return err
		}
		for at = run.First; at < run.End; {
			if err := ctx.Err(); err != nil {
				return err
			}
			part := sector.Span(at, min(largest, int64(run.End-at)))
			p := f.buf[:part.Bytes()]
			rotten, err := f.img.readGood(p, part)
			if err != nil {
				return err
			}
			// Runs that are alike: as they came, or rotten.
			for at < part.End {
				next, what := sector.Range{First: at, End: part.End}, fillData
				if bad, ok := rotten.Next(at); ok && bad.First <= at {
					next.End, what = min(part.End, bad.End), fillRotten
				} else if ok {
					next.End = min(part.End, bad.First)
				}
				b, data := spanOf(e, next), []byte(nil)
				if what == fillData {
					from := b.First - e.Offset + e.At - part.First.Offset()
					data = p[from : from+b.End-b.First]
				}
				if err := do(b, what, data); err != nil {
					return err
				}
				at = next.End
			}
		}
	}
	return missing(e.Sectors().End)
}

// disputedSpans goes through the bytes of a file in sectors that are in conflict.
func (f *Files) disputedSpans(x File, do func(tree.Span)) {
	for _, e := range x.Extents {
		r := e.Sectors()
		if r.Empty() {
			continue
		}
		for run := range f.disputed.In(r) {
			do(spanOf(e, run))
		}
	}
}

// spanOf is the bytes of an extent's file in sectors, cut to the extent.
func spanOf(e tree.Extent, r sector.Range) tree.Span {
	shift := e.Offset - e.At
	return tree.Span{First: max(e.Offset, r.First.Offset()+shift), End: min(e.Offset+e.Length, r.End.Offset()+shift)}
}
