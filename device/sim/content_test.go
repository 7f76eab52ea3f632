package sim

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"turnstone/device"
	"turnstone/device/sector"
)

func TestNoiseIsPeculiarAndTheSameHoweverItIsCut(t *testing.T) {
	n := noise{seed: 4}
	whole := make([]byte, 8*sector.Size)
	if err := n.read(1000, whole); err != nil {
		t.Fatal(err)
	}
	for i := range 8 {
		one := make([]byte, sector.Size)
		if err := n.read(sector.LBA(1000+i), one); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(one, whole[i*sector.Size:][:sector.Size]) {
			t.Errorf("sector %d alone has other bytes than among others", 1000+i)
		}
		if bytes.Contains(whole[:i*sector.Size], one[8:24]) {
			t.Errorf("sector %d has bytes of one before it", 1000+i)
		}
	}
	other := make([]byte, sector.Size)
	if err := (noise{seed: 5}).read(1000, other); err != nil {
		t.Fatal(err)
	}
	if bytes.Contains(whole, other[8:24]) {
		t.Errorf("another seed has the same bytes")
	}
}

func TestImageContent(t *testing.T) {
	path := filepath.Join(t.TempDir(), "disc.iso")
	image := bytes.Repeat([]byte("turnstone."), 5000)[:20*sector.Size+100]
	write := func(b []byte) {
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write(image)
	s := parsed(t, `48000`, `48000, "content": {"image": "`+path+`"}`)
	d, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	v := open(t, d, Opening{})
	a, _ := v.ask(sector.Span(16, 32))
	want := make([]byte, 32*sector.Size)
	copy(want, image[16*sector.Size:])
	if !bytes.Equal(a.Data, want) {
		t.Errorf("sectors at the image's end have other bytes; want those of the image, then zeros")
	}
	if err := d.Close(); err != nil {
		t.Errorf("Close() = %v; want nil", err)
	}
	if a, err := answer(v, sector.Span(0, 16)); err != nil || a.Err == nil || a.Err.Class != device.Refused || !errors.Is(a.Err, os.ErrClosed) {
		t.Errorf("answer once the image is closed = %v, %v; want an error that says so", a.Err, err)
	}
	write(make([]byte, 48000*sector.Size+1))
	if _, err := New(s); err == nil || !strings.Contains(err.Error(), "98304001 bytes, more than") {
		t.Errorf("New with an image larger than the disc = %v; want it refused", err)
	}
	s.image = filepath.Dir(path)
	if _, err := New(s); err == nil || !strings.Contains(err.Error(), "not a plain file") {
		t.Errorf("New with a folder for an image = %v; want it refused", err)
	}
}

// answer asks without looking at what the clock says.
func answer(v *driven, r sector.Range) (device.Answer, error) {
	if err := v.Ask(r); err != nil {
		return device.Answer{}, err
	}
	return v.Answer(v.t.Context())
}
