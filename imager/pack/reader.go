package pack

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"runtime"
	"slices"
	"strings"

	"github.com/klauspost/compress/zstd"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// Reader reads a pass file. Its methods run on one goroutine; reading ahead and
// unpacking go on beside it.
type Reader struct {
	Head Head
	List List
	Map  *mapfile.Map

	sectors int64 // of the map's disc; 0 before it is known
	in      *bufio.Reader
	sum     hash.Hash
	labels  uint64 // that the sum covers
	front   *zstd.Decoder
	decoder *zstd.Decoder

	met *Part // read, and not looked at yet; nil: none

	read  chan *Part // to be summed, in their order
	ahead chan *Part // the same, summed
	jobs  chan *Part // to be unpacked
	free  chan *Part
	quit  chan struct{}
	given *Part // by Next
	end   error // why there are no more
}

// Part is neighbouring or scattered sectors that one pass of the case brought.
type Part struct {
	Others bool // what the case keeps beside its image
	Raw    bool // raw sectors, which Raws gives; no pass has a say
	Pass   int
	Ranges []sector.Range // in order; the data is theirs
	Data   []byte
	Err    error // an ErrDamaged: none of the data is to be had

	// What a sector of Data is worth only the map's checksum says.

	kind         kind   // 0 where no label came
	label        []byte // all of it
	summed       bool
	body         []byte
	length, size int           // what the label says that body and data have
	end          error         // why this is no part, and no other follows
	ready        chan struct{} // gets one when the data is there
}

// NewReader reads the head, the map and the list of a pass file, and proves the map.
// The errors are those of this package and of in. Parts are read ahead from then on,
// until Close.
func NewReader(in io.Reader) (*Reader, error) {
	r := &Reader{in: bufio.NewReaderSize(in, 1<<16), sum: sha256.New(), quit: make(chan struct{})}
	if err := r.readHead(); err != nil {
		return nil, err
	}
	options := []zstd.DOption{zstd.WithDecoderMaxMemory(content), zstd.WithDecodeAllCapLimit(true)}
	var err error
	if r.front, err = zstd.NewReader(nil, append(options, zstd.WithDecoderConcurrency(1))...); err != nil {
		return nil, err
	}
	n := runtime.GOMAXPROCS(0)
	// Sectors are held against the map's checksums, one by one: a flipped bit is to cost
	// the one that has it, not all of a body.
	r.decoder, err = zstd.NewReader(nil, append(options, zstd.WithDecoderConcurrency(n), zstd.IgnoreChecksum(true))...)
	if err != nil {
		return nil, err
	}
	if err := r.readFront(); err != nil {
		return nil, err
	}
	const waiting = 2 // beyond the parts being worked on
	parts := n + waiting
	r.read, r.ahead = make(chan *Part, parts), make(chan *Part, parts)
	r.jobs, r.free = make(chan *Part, parts), make(chan *Part, parts)
	for range parts - 1 { // and the one that was met behind the list
		r.free <- &Part{ready: make(chan struct{}, 1)}
	}
	for range n {
		go r.unpackAll()
	}
	go r.sumAll()
	go r.readAhead()
	return r, nil
}

// readHead reads the first label.
func (r *Reader) readHead() error {
	start, err := r.in.Peek(labelHead + 1 + len(headText))
	if len(start) < labelHead+1+len(headText) && (err == nil || errors.Is(err, io.EOF)) ||
		err == nil && (binary.LittleEndian.Uint32(start) != labelMagic || !bytes.HasSuffix(start, []byte(headText))) {
		return ErrForeign
	}
	if err != nil {
		return err
	}
	k, b, raw, err := readLabel(r.in, nil)
	if err != nil {
		return err
	}
	f := fields{b: b[len(headText):]}
	version := f.bytes(4)
	if k != kindHead || f.bad {
		return fmt.Errorf("%w: its head can't be read", ErrDamaged)
	}
	if of := binary.LittleEndian.Uint16(version); of > major {
		return fmt.Errorf("%w: form %d, known is %d", ErrNewer, of, major)
	}
	if err := json.Unmarshal(f.b, &r.Head); err != nil {
		return fmt.Errorf("%w: its head: %s", ErrDamaged, strings.TrimSpace(err.Error()))
	}
	r.sum.Write(raw)
	r.labels++
	return nil
}

// readFront reads map and list.
func (r *Reader) readFront() error {
	front := &stream{r: r, kind: kindMap}
	values, err := readValues(front)
	if err != nil {
		return err
	}
	r.Map, err = mapfile.FromValues(values, mapMemory)
	switch {
	case errors.Is(err, mapfile.ErrTooLarge):
		return fmt.Errorf("%w: %w", ErrTooLarge, err)
	case errors.Is(err, mapfile.ErrNewer):
		return fmt.Errorf("%w: %w", ErrNewer, err)
	case err != nil:
		return fmt.Errorf("%w: its map: %w", ErrDamaged, err)
	}
	if r.sectors = r.Map.Disc().Sectors; r.sectors > mostDisc {
		return fmt.Errorf("%w: a disc of %d sectors", ErrTooLarge, r.sectors)
	}
	if err := r.readSets(front, kindList, &r.List.Image, &r.List.Others); err != nil {
		return err
	}
	return r.readSets(front, kindFormTwo, &r.List.FormTwo, &r.List.Raw)
}

// readSets reads what the bodies of one kind hold: sets of sectors. Where there are none the
// sets are empty, but a list there must be.
func (r *Reader) readSets(front *stream, k kind, sets ...*sector.Set) error {
	front.kind = k
	b, err := io.ReadAll(io.LimitReader(front, listMost+1))
	if err != nil || len(b) == 0 && k != kindList {
		return err
	}
	if len(b) > listMost {
		return fmt.Errorf("%w: a list of more than %d bytes", ErrTooLarge, listMost)
	}
	return parseSets(b, r.sectors, sets...)
}

// stream is what the bodies of one kind hold, one after the other.
type stream struct {
	r    *Reader
	kind kind
	data []byte // left of what is unpacked
}

// Read gives the data, and io.EOF before the first label of another kind.
func (s *stream) Read(b []byte) (int, error) {
	for len(s.data) == 0 {
		if s.r.met == nil {
			s.r.met = &Part{ready: make(chan struct{}, 1)}
			s.r.readPart(s.r.met)
			s.r.sumPart(s.r.met)
		}
		switch p := s.r.met; {
		case !p.kind.known() && p.end == nil:
			s.r.met = nil
		case p.kind == s.kind && p.end == nil:
			if p.unpack(s.r.front); p.Err != nil {
				return 0, p.Err
			}
			s.data, s.r.met = p.Data, nil
		case p.kind == s.kind, p.kind == 0:
			return 0, p.end
		default:
			return 0, io.EOF
		}
	}
	n := copy(b, s.data)
	s.data = s.data[n:]
	return n, nil
}

// readPart reads the next label and the body behind it, which is not unpacked.
func (r *Reader) readPart(p *Part) {
	p.Err, p.summed = nil, false
	if p.end = r.readLabelOf(p); p.end != nil {
		return
	}
	p.body = slices.Grow(p.body[:0], p.length)[:p.length]
	if _, err := io.ReadFull(r.in, p.body); err != nil {
		p.end = ended(err)
	}
}

// readLabelOf reads the label of a part. The error says why there is none; io.EOF is that
// of the end.
func (r *Reader) readLabelOf(p *Part) error {
	p.kind = 0
	k, b, raw, err := readLabel(r.in, p.label)
	if err != nil {
		return err
	}
	p.kind, p.label = k, raw
	if k == kindEnd {
		if _, err = r.in.Peek(1); err == nil {
			err = fmt.Errorf("%w: something follows its end", ErrDamaged)
		}
		return err
	}
	f := fields{b: b}
	p.length, p.size = int(f.varint(bodyMost)), int(f.varint(content))
	switch {
	case f.bad:
		return fmt.Errorf("%w: a body larger than it may be", ErrDamaged)
	case k == kindSectors || k == kindOthers || k == kindRaw:
		p.Others, p.Raw = k == kindOthers, k == kindRaw
		p.parse(&f, r.sectors)
	case k < kindOption && k != kindMap && k != kindList:
		return fmt.Errorf("%w: a label of kind %d", ErrDamaged, k)
	}
	if f.bad {
		return fmt.Errorf("%w: a label names sectors that can't be", ErrDamaged)
	}
	return nil
}

// sumPart adds a part to the sum, or holds the end against all that went before.
func (r *Reader) sumPart(p *Part) {
	switch {
	case p.summed:
	case p.end == nil:
		r.sum.Write(p.label)
		r.sum.Write(p.body)
		r.labels++
	case p.kind == kindEnd:
		f := fields{b: p.label[labelHead+1 : len(p.label)-sumBytes]}
		labels, sum := binary.LittleEndian.Uint64(f.bytes(8)), f.bytes(sha256.Size)
		if f.bad || labels != r.labels || !bytes.Equal(sum, r.sum.Sum(nil)) {
			p.end = fmt.Errorf("%w: its SHA-256 is not that of what came", ErrDamaged)
		}
	}
	p.summed = true
}

// parse reads what a label says of its sectors, on a disc of so many.
func (p *Part) parse(f *fields, sectors int64) {
	p.Pass = 0
	each := int64(sector.Size)
	if p.Raw {
		each = rawItem
	} else {
		p.Pass = int(f.varint(1 << 16))
	}
	n := f.varint(partSectors)
	p.Ranges = p.Ranges[:0]
	end, bytes := sector.LBA(0), int64(0)
	for range n {
		r := f.next(end, sectors)
		if f.bad {
			return
		}
		p.Ranges = append(p.Ranges, r)
		end = r.End
		bytes += r.Count() * each
	}
	f.bad = f.bad || bytes != int64(p.size)
}

// unpack unpacks a body, to the size that its label says and no further.
func (p *Part) unpack(decoder *zstd.Decoder) {
	if cap(p.Data) < p.size {
		p.Data = make([]byte, 0, content)
	}
	data, err := decoder.DecodeAll(p.body, p.Data[:0:p.size])
	p.Data, p.Err = p.Data[:0], nil
	if err != nil || len(data) != p.size {
		p.Err = fmt.Errorf("%w: a body can't be unpacked to what its label says", ErrDamaged)
		return
	}
	p.Data = data
}

// readAhead reads parts until their end.
func (r *Reader) readAhead() {
	defer close(r.read)
	for {
		p := r.met
		r.met = nil
		if p == nil {
			select {
			case p = <-r.free:
			case <-r.quit:
				return
			}
			r.readPart(p)
		}
		last := p.end != nil
		r.read <- p // there is room for all parts, here and in the next channels
		if last {
			return
		}
	}
}

// sumAll sums parts, and has them unpacked. Kinds that are not known are passed over
// where they may be.
func (r *Reader) sumAll() {
	defer close(r.jobs)
	for p := range r.read {
		r.sumPart(p)
		switch {
		case p.end != nil:
		case !p.kind.known():
			r.free <- p
			continue
		case p.kind != kindSectors && p.kind != kindOthers && p.kind != kindRaw:
			p.end = fmt.Errorf("%w: a part of its map or list stands behind sectors", ErrDamaged)
		}
		r.ahead <- p
		if p.end != nil {
			p.ready <- struct{}{}
			return
		}
		r.jobs <- p
	}
}

func (r *Reader) unpackAll() {
	for p := range r.jobs {
		p.unpack(r.decoder)
		p.ready <- struct{}{}
	}
}

// Next is the next part, which is valid until the next call. io.EOF is returned behind
// the last part of a file that is whole and matches its SHA-256; ErrCut, ErrDamaged or
// the error of reading where no more is to be had.
func (r *Reader) Next() (*Part, error) {
	if r.given != nil {
		r.free <- r.given
		r.given = nil
	}
	if r.end != nil {
		return nil, r.end
	}
	p := <-r.ahead
	<-p.ready
	if r.end = p.end; r.end != nil {
		return nil, r.end
	}
	r.given = p
	return p, nil
}

// Close ends the reading ahead. What it reads from is for the caller to close.
func (r *Reader) Close() {
	close(r.quit)
}
