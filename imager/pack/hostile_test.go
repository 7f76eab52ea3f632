package pack

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"io"
	"runtime"
	"testing"

	"github.com/klauspost/compress/zstd"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// forger makes pass files that no Writer would, with labels whose checksums hold.
type forger struct {
	tb     testing.TB
	b      []byte
	labels uint64
	enc    *zstd.Encoder
}

func forge(tb testing.TB) *forger {
	enc, err := zstd.NewWriter(nil)
	if err != nil {
		tb.Fatal(err)
	}
	return &forger{tb: tb, enc: enc}
}

func (f *forger) head(major, minor uint16, text string) *forger {
	fields := binary.LittleEndian.AppendUint16([]byte(headText), major)
	return f.label(kindHead, append(binary.LittleEndian.AppendUint16(fields, minor), text...))
}

func (f *forger) label(k kind, fields []byte) *forger {
	f.labels++
	f.b = appendLabel(f.b, k, fields)
	return f
}

// body adds a label with the lengths given, and more fields, and a body that holds data.
func (f *forger) body(k kind, size int, data []byte, more ...byte) *forger {
	body := f.enc.EncodeAll(data, nil)
	fields := binary.AppendUvarint(nil, uint64(len(body)))
	f.label(k, append(binary.AppendUvarint(fields, uint64(size)), more...))
	f.b = append(f.b, body...)
	return f
}

func (f *forger) honest(k kind, data []byte, more ...byte) *forger {
	return f.body(k, len(data), data, more...)
}

func (f *forger) values(all []mapfile.Value) *forger {
	var b []byte
	for _, v := range all {
		b = appendValue(b, v)
	}
	return f.honest(kindMap, b)
}

func (f *forger) end() []byte {
	sum := sha256.Sum256(f.b)
	fields := append(binary.LittleEndian.AppendUint64(nil, f.labels), sum[:]...)
	return appendLabel(f.b, kindEnd, fields)
}

// read reads a whole file.
func read(data []byte) (sectors, damaged int, err error) {
	r, err := NewReader(bytes.NewReader(data))
	if err != nil {
		return 0, 0, err
	}
	defer r.Close()
	got, damaged, err := came(r)
	if err == io.EOF {
		err = nil
	}
	return len(got), damaged, err
}

// What a file says that nobody honest wrote is refused, and no more memory is taken for
// it than the bounds say.
func TestHostileFiles(t *testing.T) {
	values, list, all := someCase(t, 200, 1)
	lists := appendSets(nil, &list.Image, &list.Others)
	front := func() *forger { return forge(t).head(1, 0, "{}").values(values) }
	ready := func() *forger { return front().honest(kindList, lists) }
	one := all[0]
	ranges := func(pass int, r ...sector.Range) []byte {
		b := binary.AppendUvarint(binary.AppendUvarint(nil, uint64(pass)), uint64(len(r)))
		end := sector.LBA(0)
		for _, r := range r {
			b = appendRange(b, end, r)
			end = r.End
		}
		return b
	}
	sectorData := make([]byte, sector.Size)
	rawRanges := func(r ...sector.Range) []byte { return ranges(0, r...)[1:] }
	rawData := appendRaw(nil, Raw{Data: make([]byte, RawSize)})
	zeros := make([]byte, 64<<20)
	huge := func() []mapfile.Value {
		m := mapfile.New("huge")
		m.AddRound(mapfile.Round{})
		if err := m.SetDisc(mapfile.Disc{Sectors: mostDisc + 1}); err != nil {
			t.Fatal(err)
		}
		path := t.TempDir() + "/map.db"
		if err := mapfile.Create(path, m); err != nil {
			t.Fatal(err)
		}
		all, err := mapfile.Values(path)
		if err != nil {
			t.Fatal(err)
		}
		return all
	}()
	bomb := forge(t).head(1, 0, "{}")
	bucket := []byte{1, 'x', 0} // a bucket and an empty key
	for range mapMost/valueMost + 1 {
		bomb.honest(kindMap, binary.AppendUvarint(bucket, valueMost))
		for range valueMost / content {
			bomb.honest(kindMap, zeros[:content])
		}
	}
	listBomb := front()
	for range listMost/content + 1 {
		listBomb.honest(kindList, zeros[:content])
	}
	for _, test := range []struct {
		name string
		data []byte
		want error // nil: taken, with nothing in it that is damaged
	}{
		{"nothing", nil, ErrForeign},
		{"zstd of another program", forge(t).honest(kindMap, []byte("text")).b, ErrForeign},
		{"text", []byte("turnstone pass file, it says, and is none of them at all"), ErrForeign},
		{"a whole one", ready().end(), nil},
		{"a later form", forge(t).head(2, 0, "{}").values(values).honest(kindList, lists).end(), ErrNewer},
		{"a later minor form with more of everything", forge(t).head(1, 9, `{"case":"x","more":1}`).values(values).
			honest(kindList, lists).honest(kindOption+3, []byte("unknown"), 1, 2, 3).
			honest(kindSectors, one.data[:sector.Size], append(ranges(one.pass, sector.Span(one.r.First, 1)), 9, 9)...).end(), nil},
		{"an unknown kind that matters", ready().honest(7, []byte("x")).end(), ErrDamaged},
		{"a head that is no JSON", forge(t).head(1, 0, "{").end(), ErrDamaged},
		{"no map", forge(t).head(1, 0, "{}").honest(kindList, lists).end(), ErrDamaged},
		{"no list", front().end(), ErrDamaged},
		{"sectors before the list", front().honest(kindSectors, sectorData, ranges(0, sector.Span(0, 1))...).end(), ErrDamaged},
		{"a map again behind the sectors", ready().values(values).end(), ErrDamaged},
		{"two heads", ready().head(1, 0, "{}").end(), ErrDamaged},
		{"a body longer than its label says", ready().body(kindSectors, sector.Size, zeros, ranges(0, sector.Span(0, 1))...).end(), ErrDamaged},
		{"a body shorter than its label says", ready().body(kindSectors, sector.Size, sectorData[:9], ranges(0, sector.Span(0, 1))...).end(), ErrDamaged},
		{"a body of 64 MiB", ready().honest(kindSectors, zeros, ranges(0, sector.Span(0, 200))...).end(), ErrDamaged},
		{"sectors beyond the disc", ready().honest(kindSectors, sectorData, ranges(0, sector.Span(200, 1))...).end(), ErrDamaged},
		{"no data for its ranges", ready().honest(kindSectors, sectorData, ranges(0, sector.Span(0, 2))...).end(), ErrDamaged},
		{"a pass that can't be", ready().honest(kindSectors, sectorData, ranges(1<<17, sector.Span(0, 1))...).end(), ErrDamaged},
		{"a range of nothing", ready().honest(kindSectors, nil, 0, 1, 0, 0).end(), ErrDamaged},
		{"a count without ranges", ready().honest(kindSectors, sectorData, 0, 200).end(), ErrDamaged},
		{"a label of 4 GiB", append(ready().b, 0x5B, 0x2A, 0x4D, 0x18, 0xFF, 0xFF, 0xFF, 0xFF), ErrDamaged},
		{"a list of sectors beyond the disc", front().honest(kindList, []byte{1, 0xC8, 1, 1, 0}).end(), ErrDamaged},
		{"a list of a million runs in four bytes", front().honest(kindList, []byte{0xFF, 0xFF, 0x3F, 0}).end(), ErrDamaged},
		{"a list that bursts", listBomb.end(), ErrTooLarge},
		{"a map that bursts", bomb.end(), ErrTooLarge},
		{"a value that can't be", forge(t).head(1, 0, "{}").honest(kindMap, binary.AppendUvarint(bucket, valueMost+1)).end(), ErrDamaged},
		{"a disc that no drive takes", forge(t).head(1, 0, "{}").values(huge).honest(kindList, []byte{0, 0}).end(), ErrTooLarge},
		{"a raw sector", ready().honest(kindFormTwo, []byte{1, 0, 9, 1, 0, 1}).honest(kindRaw, rawData, rawRanges(sector.Span(0, 1))...).end(), nil},
		{"a raw sector with another checksum", ready().honest(kindRaw, append(rawData[:rawItem-1:rawItem-1], 1), rawRanges(sector.Span(0, 1))...).end(), ErrDamaged},
		{"half a raw sector", ready().honest(kindRaw, rawData[:rawItem/2], rawRanges(sector.Span(0, 1))...).end(), ErrDamaged},
		{"raw sectors beyond the disc", ready().honest(kindRaw, rawData, rawRanges(sector.Span(200, 1))...).end(), ErrDamaged},
		{"sectors of form 2 beyond the disc", ready().honest(kindFormTwo, []byte{1, 0xC8, 1, 1, 0}).end(), ErrDamaged},
		{"sectors of form 2 behind others", ready().honest(kindRaw, rawData, rawRanges(sector.Span(0, 1))...).honest(kindFormTwo, []byte{0, 0}).end(), ErrDamaged},
		{"more behind the end", append(ready().end(), 0), ErrDamaged},
		{"another sum", func() []byte { b := ready().end(); return appendLabel(b[:len(b)-53], kindEnd, make([]byte, 40)) }(), ErrDamaged},
	} {
		before := allocated()
		_, damaged, err := read(test.data)
		if damaged > 0 {
			err = errors.Join(err, ErrDamaged)
		}
		if !errors.Is(err, test.want) || test.want == nil && err != nil {
			t.Errorf("%s: %v; want %v", test.name, err, test.want)
		}
		// All that was ever taken: large values grow by doubling, and are copied.
		if took := allocated() - before; took > 16*mapMost {
			t.Errorf("%s: %d MiB of memory were taken", test.name, took>>20)
		}
	}
}

// allocated is how many bytes were taken since the program began.
func allocated() uint64 {
	var s runtime.MemStats
	runtime.ReadMemStats(&s)
	return s.TotalAlloc
}

// FuzzReader proves that no bytes make the reader panic or wait for ever, and that what
// it gives lies on the disc. Labels get new checksums, so that their fields are looked at.
func FuzzReader(f *testing.F) {
	values, list, all := someCase(f, 60, 1)
	data := packed(f, values, list, all)
	f.Add(data, false)
	f.Add(data[:len(data)/2], true)
	f.Add(forge(f).head(1, 0, "{}").values(values).honest(kindList, []byte{0, 0}).end(), true)
	f.Fuzz(func(t *testing.T, data []byte, mend bool) {
		if mend {
			data = mended(data)
		}
		r, err := NewReader(bytes.NewReader(data))
		if err != nil {
			return
		}
		defer r.Close()
		for {
			p, err := r.Next()
			if err != nil {
				return
			}
			var bytes int64
			each := int64(sector.Size)
			if p.Raw {
				each = rawItem
			}
			for _, s := range p.Ranges {
				if bytes += s.Count() * each; s.First < 0 || s.Empty() || int64(s.End) > r.Map.Disc().Sectors {
					t.Fatalf("sectors %v of a disc of %d", s, r.Map.Disc().Sectors)
				}
			}
			for _, x := range p.Raws() {
				if x.Data != nil && len(x.Data) != RawSize {
					t.Fatalf("a raw sector of %d bytes", len(x.Data))
				}
			}
			if p.Err == nil && bytes != int64(len(p.Data)) {
				t.Fatalf("%d bytes for %d", len(p.Data), bytes)
			}
		}
	})
}

// mended is data in which each label found by following lengths has the right checksum.
func mended(data []byte) []byte {
	data = bytes.Clone(data)
	for at := 0; at+labelHead < len(data); {
		n := int(binary.LittleEndian.Uint32(data[at+4:]))
		end := at + labelHead + n
		if n < 1+sumBytes || n > labelMost || end > len(data) {
			break
		}
		copy(data[at:], appendLabel(nil, kind(data[at+labelHead]), data[at+labelHead+1:end-sumBytes]))
		f := fields{b: data[at+labelHead+1:]}
		at = end
		if k := kind(data[at-n]); k != kindHead && k != kindEnd {
			at += int(f.varint(bodyMost))
		}
	}
	return data
}
