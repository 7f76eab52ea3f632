package mapfile

import (
	"bytes"
	"slices"
	"testing"

	"turnstone/device/sector"
)

// TestSum has the known answers of RFC 3720, appendix B.4.
func TestSum(t *testing.T) {
	up, down := make([]byte, 32), make([]byte, 32)
	for i := range 32 {
		up[i], down[i] = byte(i), byte(31-i)
	}
	for _, test := range []struct {
		data []byte
		want uint32
	}{
		{make([]byte, 32), 0x8A9136AA}, {bytes.Repeat([]byte{0xFF}, 32), 0x62A8AB43}, {up, 0x46DD794E}, {down, 0x113FDB5C},
	} {
		if got := Sum(test.data); got != test.want {
			t.Errorf("Sum(%x) = %08x; want %08x", test.data, got, test.want)
		}
	}
}

func TestAppendSums(t *testing.T) {
	data := make([]byte, 3*sector.Size+100)
	for i := range data {
		data[i] = byte(i * i >> 3)
	}
	want := []uint32{7}
	for a := range 3 {
		want = append(want, Sum(data[a*sector.Size:][:sector.Size]))
	}
	if got := AppendSums([]uint32{7}, data); !slices.Equal(got, want) {
		t.Errorf("AppendSums = %x; want %x", got, want)
	}
}
