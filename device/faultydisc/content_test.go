package faultydisc

import (
	"bytes"
	"crypto/sha256"
	"os"
	"path/filepath"
	"testing"

	"turnstone/device/sector"
)

// tempFile is a file that holds data.
func tempFile(t *testing.T, data []byte) *os.File {
	t.Helper()
	path := filepath.Join(t.TempDir(), "backing")
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	file, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { file.Close() })
	return file
}

// No sector is like another, of the same seed or of the next, and none shares its
// noise with another at another place of the sector.
func TestPatternDiffers(t *testing.T) {
	whole := map[[32]byte]sector.LBA{}
	words := map[[8]byte]sector.LBA{}
	for seed := range uint64(2) {
		data := Pattern(seed, sector.Span(0, 5000))
		for a := range sector.LBA(5000) {
			s := data[a.Offset():][:sector.Size]
			sum := sha256.Sum256(s)
			if b, ok := whole[sum]; ok {
				t.Fatalf("sector %d with seed %d is like sector %d", a, seed, b)
			}
			whole[sum] = a
			for i := headSize; i < sector.Size; i += 256 {
				word := [8]byte(s[i:])
				if b, ok := words[word]; ok {
					t.Fatalf("sector %d with seed %d shares bytes with sector %d", a, seed, b)
				}
				words[word] = a
			}
		}
	}
}

func TestPatternTellsItsNumber(t *testing.T) {
	for _, test := range []struct {
		seed uint64
		a    sector.LBA
		want string
	}{
		{0, 0, "sector 0, seed 0\n\x00"},
		{7, 1234, "sector 1234, seed 7\n\x00"},
		{1<<64 - 1, maxSectors - 1, "sector 67108863, seed 18446744073709551615\n\x00"},
	} {
		if got := Pattern(test.seed, sector.Span(test.a, 1)); !bytes.HasPrefix(got, []byte(test.want)) {
			t.Errorf("Pattern(%d, %d) = %q…; want %q…", test.seed, test.a, got[:headSize], test.want)
		}
	}
}

// A range is its sectors one after the other.
func TestPatternOfRange(t *testing.T) {
	var want []byte
	for a := sector.LBA(95); a < 105; a++ {
		want = append(want, Pattern(3, sector.Span(a, 1))...)
	}
	if got := Pattern(3, sector.Span(95, 10)); !bytes.Equal(got, want) {
		t.Error("Pattern(3, 95+10) is not its ten sectors in order")
	}
}

// The first outputs of SplitMix64 from the state 1234567, as the Rosetta Code
// task of that name lists them [memory].
func TestMix(t *testing.T) {
	state := uint64(1234567)
	for _, want := range []uint64{6457827717110365317, 3203168211198807973, 9817491932198370423, 4593380528125082431, 16408922859458223821} {
		state += 0x9E3779B97F4A7C15
		if got := mix(state); got != want {
			t.Errorf("mix(%#x) = %d; want %d", state, got, want)
		}
	}
}
