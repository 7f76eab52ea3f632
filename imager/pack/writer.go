package pack

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"runtime"
	"sync"
	"time"

	"github.com/klauspost/compress/zstd"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// The version of the form that this program writes.
const (
	major = 1
	minor = 1
)

const headText = "turnstone pass file\x00"

// Head is what a pass file says of itself before its map.
type Head struct {
	Case  string    `json:"case"` // the case's id, as in the map
	Made  time.Time `json:"made"`
	Since int       `json:"since_round,omitempty"` // only what rounds from this one on brought
	Only  bool      `json:"only,omitempty"`        // only some sectors, which somebody chose
}

// Writer writes a pass file. Its methods run on one goroutine; compressing and writing go
// on beside it, with a few megabytes for each processor.
type Writer struct {
	out     io.Writer
	sum     hash.Hash
	labels  uint64
	written int64

	encoder *zstd.Encoder
	jobs    chan *job // to be compressed
	order   chan *job // the same, in their order, to be labelled and summed
	summed  chan *job // to be written
	free    chan *job
	workers sync.WaitGroup
	done    chan struct{} // closed when all is written

	open *job // being filled; nil: none

	mu  sync.Mutex
	err error
}

// job is a body on its way.
type job struct {
	kind   kind
	pass   int
	ranges []sector.Range
	data   []byte // what it holds
	label  []byte
	body   []byte
	ready  chan struct{} // gets one when body is there
}

// NewWriter begins a pass file with its head, the map, and the list of what follows. The
// sectors come next, in the order of the package doc, raw ones last, then Close. ErrTooLarge is returned
// for what no reader takes.
func NewWriter(out io.Writer, h Head, values []mapfile.Value, l List) (*Writer, error) {
	text, err := json.Marshal(h)
	if err != nil {
		return nil, fmt.Errorf("head of a pass file: %w", err)
	}
	list, formTwo := appendSets(nil, &l.Image, &l.Others), []byte(nil)
	if !l.FormTwo.Empty() {
		formTwo = appendSets(nil, &l.FormTwo, &l.Raw)
	}
	if len(text) > labelMost/2 || max(len(list), len(formTwo)) > listMost || len(values) > valuesMost {
		return nil, ErrTooLarge
	}
	n := runtime.GOMAXPROCS(0)
	encoder, err := zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedFastest), zstd.WithEncoderConcurrency(n))
	if err != nil {
		return nil, err
	}
	const ahead = 2 // jobs waiting beyond those being worked on
	w := &Writer{
		out: out, sum: sha256.New(), encoder: encoder, done: make(chan struct{}),
		jobs: make(chan *job, n+ahead), order: make(chan *job, n+ahead), summed: make(chan *job, n+ahead),
		free: make(chan *job, n+ahead),
	}
	for range cap(w.free) {
		w.free <- &job{ready: make(chan struct{}, 1)}
	}
	fields := binary.LittleEndian.AppendUint16([]byte(headText), major)
	fields = append(binary.LittleEndian.AppendUint16(fields, minor), text...)
	start := appendLabel(nil, kindHead, fields)
	w.sum.Write(start)
	w.labels++
	w.put(start)
	for range n {
		w.workers.Go(w.compress)
	}
	go w.label()
	go w.write()
	var size int64
	for _, v := range values {
		b := appendValue(nil, v)
		if size += int64(len(b)); size > mapMost {
			return nil, errors.Join(ErrTooLarge, w.Abort())
		}
		w.stream(kindMap, b)
	}
	w.stream(kindList, list)
	w.stream(kindFormTwo, formTwo)
	w.seal()
	if err := w.failed(); err != nil {
		return nil, errors.Join(err, w.Abort())
	}
	return w, nil
}

// stream adds bytes to bodies of a kind.
func (w *Writer) stream(k kind, b []byte) {
	for len(b) > 0 {
		j := w.begin(k, 0)
		n := min(len(b), content-len(j.data))
		j.data = append(j.data, b[:n]...)
		b = b[n:]
		if len(j.data) == content {
			w.seal()
		}
	}
}

// Sectors adds neighbouring sectors of the image that a pass of the case brought. The
// data is copied.
func (w *Writer) Sectors(pass int, r sector.Range, data []byte) error {
	return w.add(kindSectors, pass, r, data)
}

// Others adds neighbouring sectors as a pass of the case brought them and the image does
// not have them.
func (w *Writer) Others(pass int, r sector.Range, data []byte) error {
	return w.add(kindOthers, pass, r, data)
}

func (w *Writer) add(k kind, pass int, r sector.Range, data []byte) error {
	for !r.Empty() {
		j := w.begin(k, pass)
		part := sector.Span(r.First, min(r.Count(), partSectors-int64(len(j.data)/sector.Size)))
		if last := len(j.ranges) - 1; last >= 0 && j.ranges[last].End == part.First {
			j.ranges[last].End = part.End
		} else {
			j.ranges = append(j.ranges, part)
		}
		j.data = append(j.data, data[:part.Bytes()]...)
		data, r.First = data[part.Bytes():], part.End
		if len(j.data) == content {
			w.seal()
		}
	}
	return w.failed()
}

// begin is the body to add to: the open one, where it is of that kind and pass.
func (w *Writer) begin(k kind, pass int) *job {
	if w.open != nil && (w.open.kind != k || w.open.pass != pass) {
		w.seal()
	}
	if w.open == nil {
		j := <-w.free
		j.kind, j.pass, j.ranges, j.data = k, pass, j.ranges[:0], j.data[:0]
		if j.data == nil {
			j.data = make([]byte, 0, content)
		}
		w.open = j
	}
	return w.open
}

// seal sends the open body on its way.
func (w *Writer) seal() {
	if w.open != nil {
		w.jobs <- w.open
		w.order <- w.open
		w.open = nil
	}
}

// compress compresses bodies. What can't be compressed goes into raw blocks of the format
// (RFC 8878, section 3.1.1.2.2), as the encoder has it.
func (w *Writer) compress() {
	for j := range w.jobs {
		j.body = w.encoder.EncodeAll(j.data, j.body[:0])
		j.ready <- struct{}{}
	}
}

// label gives bodies their labels, and adds both to the sum, which takes as long as all
// else together.
func (w *Writer) label() {
	defer close(w.summed)
	var fields []byte
	for j := range w.order {
		<-j.ready
		fields = binary.AppendUvarint(fields[:0], uint64(len(j.body)))
		fields = binary.AppendUvarint(fields, uint64(len(j.data)))
		switch j.kind {
		case kindSectors, kindOthers:
			fields = binary.AppendUvarint(fields, uint64(j.pass))
			fallthrough
		case kindRaw:
			fields = binary.AppendUvarint(fields, uint64(len(j.ranges)))
			end := sector.LBA(0)
			for _, r := range j.ranges {
				fields = appendRange(fields, end, r)
				end = r.End
			}
		}
		j.label = appendLabel(j.label[:0], j.kind, fields)
		w.sum.Write(j.label)
		w.sum.Write(j.body)
		w.labels++
		w.summed <- j
	}
}

// write writes bodies behind their labels.
func (w *Writer) write() {
	defer close(w.done)
	for j := range w.summed {
		w.put(j.label)
		w.put(j.body)
		w.free <- j
	}
}

// put writes bytes. After an error it does nothing.
func (w *Writer) put(b []byte) {
	if w.failed() != nil {
		return
	}
	n, err := w.out.Write(b)
	w.written += int64(n)
	if err != nil {
		w.mu.Lock()
		w.err = err
		w.mu.Unlock()
	}
}

func (w *Writer) failed() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.err
}

// stop ends what goes on beside, once it is done.
func (w *Writer) stop() {
	w.seal()
	close(w.jobs)
	close(w.order)
	w.workers.Wait()
	<-w.done
}

// Close ends the file, and returns how long it is. The file is not synced.
func (w *Writer) Close() (written int64, err error) {
	w.stop()
	fields := binary.LittleEndian.AppendUint64(nil, w.labels)
	w.put(appendLabel(nil, kindEnd, w.sum.Sum(fields)))
	return w.written, errors.Join(w.failed(), w.encoder.Close())
}

// Abort gives the file up, without an end.
func (w *Writer) Abort() error {
	w.stop()
	return w.encoder.Close()
}
