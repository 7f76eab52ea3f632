package child

import (
	"bytes"
	"io"
	"testing"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
)

// Messages invented here; each is a seed of the fuzz targets as well.
var requests = []request{
	{op: opOpen, payload: []byte(`{"Node":"/dev/sr0"}`)},
	{op: opRead, slot: 2, sectors: sector.Span(4_000_000, 128)},
	{op: opCall, payload: []byte("eject\x00")},
	{op: opCall, payload: bytes.Repeat([]byte{7}, maxPayload)},
}

var answers = []answer{
	{op: opOpen, at: -1, payload: []byte(`{"Sectors":5}`)},
	{op: opRead, slot: 1, good: 128, took: time.Second, at: -1},
	{op: opRead, slot: 16, flags: flagFailed, class: device.Track, sense: device.Sense{Key: 3, ASC: 2}, errno: 5,
		good: 3, took: 1, at: 4_000_003, payload: []byte("EIO: input/output error")},
	{op: opCall, flags: flagFailed | flagUnsupported, at: -1},
}

func TestRequestsTravel(t *testing.T) {
	var pipe bytes.Buffer
	for _, q := range requests {
		pipe.Write(q.append(nil))
	}
	for i, want := range requests {
		got, err := readRequest(&pipe)
		if err != nil || got.op != want.op || got.slot != want.slot || got.sectors.Count() != want.sectors.Count() ||
			got.sectors.First != want.sectors.First || !bytes.Equal(got.payload, want.payload) {
			t.Errorf("readRequest(%d) = %v, %v; want %v, nil", i, got, err, want)
		}
	}
	if _, err := readRequest(&pipe); err != io.EOF {
		t.Errorf("readRequest at the end = %v; want EOF", err)
	}
}

func TestAnswersTravel(t *testing.T) {
	var pipe bytes.Buffer
	for _, a := range answers {
		pipe.Write(a.append(nil))
	}
	for i, want := range answers {
		got, err := readAnswer(&pipe)
		payload := got.payload
		got.payload = want.payload
		if err != nil || !bytes.Equal(payload, want.payload) || !bytes.Equal(got.append(nil), want.append(nil)) {
			t.Errorf("readAnswer(%d) = %v, %v; want %v, nil", i, got, err, want)
		}
	}
	if _, err := readAnswer(&pipe); err != io.EOF {
		t.Errorf("readAnswer at the end = %v; want EOF", err)
	}
}

// spoil is b with one byte replaced.
func spoil(b []byte, at int, with byte) []byte {
	b = bytes.Clone(b)
	b[at] = with
	return b
}

func TestMessagesRefused(t *testing.T) {
	q, a := requests[1].append(nil), answers[2].append(nil)
	for _, test := range []struct {
		name    string
		message []byte
		answer  bool
	}{
		{"request without an op", spoil(q, 0, 0), false},
		{"request with an unknown op", spoil(q, 0, opCall+1), false},
		{"request with more behind it than may be", spoil(q, 7, 0x80), false},
		{"request with fewer bytes behind it than it says", spoil(q, 4, 1), false},
		{"request of a sector that is on no disc", spoil(q, 15, 0x7F), false},
		{"request of more sectors than any disc has", spoil(q, 23, 0x7F), false},
		{"request cut short", q[:requestSize-1], false},
		{"answer without an op", spoil(a, 0, 0), true},
		{"answer with an unknown flag", spoil(a, 2, 0x80), true},
		{"answer of an unknown class", spoil(a, 3, byte(device.Refused)+1), true},
		{"answer with less than no sectors", spoil(a, 23, 0x80), true},
		{"answer that took less than no time", spoil(a, 31, 0x80), true},
		{"answer that fails in front of the disc", spoil(a, 39, 0x80), true},
		{"answer with more behind it than may be", spoil(a, 15, 0x80), true},
		{"answer cut short", a[:len(a)-1], true},
	} {
		var err error
		if test.answer {
			_, err = readAnswer(bytes.NewReader(test.message))
		} else {
			_, err = readRequest(bytes.NewReader(test.message))
		}
		if err == nil || err == io.EOF {
			t.Errorf("%s: error %v; want it refused", test.name, err)
		}
	}
}

func FuzzRequest(f *testing.F) {
	for _, q := range requests[:3] {
		f.Add(q.append(nil))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if q, err := readRequest(bytes.NewReader(b)); err == nil {
			if again := q.append(nil); !bytes.HasPrefix(b, again) {
				t.Errorf("readRequest(% x) = %v, written again % x; want the same bytes", b, q, again)
			}
		}
	})
}

func FuzzAnswer(f *testing.F) {
	for _, a := range answers {
		f.Add(a.append(nil))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if a, err := readAnswer(bytes.NewReader(b)); err == nil {
			if again := a.append(nil); !bytes.HasPrefix(b, again) {
				t.Errorf("readAnswer(% x) = %v, written again % x; want the same bytes", b, a, again)
			}
		}
	})
}

func TestSlotsDoNotOverlap(t *testing.T) {
	g, err := divide(device.Info{Depth: 2, MaxSectors: 3}) // 6 KiB: no whole pages
	if err != nil || g.slots != 3 || g.slotBytes != 2*pageBytes {
		t.Fatalf("divide(depth 2, 3 sectors) = %+v, %v; want 3 slots of 2 pages", g, err)
	}
	mapping := make([]byte, g.size())
	for slot := range uint8(3) {
		b, err := g.slot(mapping, slot, 3*sector.Size)
		if err != nil {
			t.Fatalf("slot(%d) = %v; want nil", slot, err)
		}
		for i, old := range b {
			if old != 0 {
				t.Fatalf("byte %d of slot %d belongs to another slot", i, slot)
			}
			b[i] = 1
		}
	}
	if _, err := g.slot(mapping, 3, 1); err == nil {
		t.Error("slot(3) of 3 = nil; want an error")
	}
	if _, err := g.slot(mapping, 0, 2*pageBytes+1); err == nil {
		t.Error("slot(0) for more than its bytes = nil; want an error")
	}
}
