package cd

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"hash/crc32"
	"math/rand/v2"
	"testing"

	"turnstone/ecc/rs"
)

var kinds = []Kind{Mode1, Form1, Form2, Formless}

// random fills a sector with noise (invented content) and encodes it.
func random(t testing.TB, rng *rand.Rand, k Kind, lba int64) []byte {
	t.Helper()
	sector := make([]byte, Size)
	for i := range sector {
		sector[i] = byte(rng.Uint32())
	}
	if err := Encode(sector, k, lba); err != nil {
		t.Fatalf("Encode(%v, %d): %v", k, lba, err)
	}
	return sector
}

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(s)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func digest(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

// Sector 0 of libcdio's test image isofs-m1.bin (GPL, not here): 2048 zeros at
// minute 0, second 2, frame 0. Its bytes were computed by two programs as well.
func TestPublicSector(t *testing.T) {
	sector := make([]byte, Size)
	if err := Encode(sector, Mode1, 0); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name string
		at   int
		want string
	}{
		{"header", 12, "00020001"},
		{"EDC", 2064, "c513682b"},
		{"first of P", 2076, "00f700f500000000"},
		{"last of Q", 2344, "0000009000c10012"},
	} {
		want := unhex(t, c.want)
		if got := sector[c.at:][:len(want)]; !bytes.Equal(got, want) {
			t.Errorf("%s: Encode gives % x; want % x", c.name, got, want)
		}
	}
	if got, want := digest(sector), "b4f18ab66709c9b3fdef2721cc323e031b6728f3ca6c57b7c435c96189222250"; got != want {
		t.Errorf("sha256 of the sector = %s; want %s", got, want)
	}
	if err := Scramble(sector); err != nil {
		t.Fatal(err)
	}
	if got, want := sector[12:16], unhex(t, "01820061"); !bytes.Equal(got, want) {
		t.Errorf("scrambled header = % x; want % x", got, want)
	}
	if got, want := digest(sector), "b2c91211b98919e43eb75d5d1eba18821c607badf31e60af4d166883a96cd68f"; got != want {
		t.Errorf("sha256 of the scrambled sector = %s; want %s", got, want)
	}
}

// The check value of CRC-32/CD-ROM-EDC in the catalogue of CRC algorithms.
func TestEDCVector(t *testing.T) {
	if got := EDC([]byte("123456789")); got != 0x6EC2EDC4 {
		t.Errorf("EDC(123456789) = %08X; want 6EC2EDC4", got)
	}
}

func TestEDCAgainstOthers(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	table := crc32.MakeTable(0xD8018001)
	for length := range 200 {
		data := make([]byte, length)
		for i := range data {
			data[i] = byte(rng.Uint32())
		}
		got := EDC(data)
		if want := slowEDC(data); got != want {
			t.Fatalf("EDC of %d bytes = %08X; bit by bit %08X", length, got, want)
		}
		// The standard library's inverts before and after.
		if want := ^crc32.Update(0xFFFFFFFF, table, data); got != want {
			t.Fatalf("EDC of %d bytes = %08X; hash/crc32 gives %08X", length, got, want)
		}
		for cut := range length {
			if two := edc(edc(0, data[:cut]), data[cut:]); two != got {
				t.Fatalf("EDC of %d bytes, cut at %d = %08X; want %08X", length, cut, two, got)
			}
		}
	}
}

// cdrkit's table of 2340 bytes has the CRC-32 and the ends below.
func TestScrambler(t *testing.T) {
	if got := crc32.ChecksumIEEE(scrambler[:]); got != 0x9CDC2670 {
		t.Errorf("CRC-32 of the scrambler = %08X; want 9CDC2670", got)
	}
	first, last := unhex(t, "018000600028001e80086006a802fe81"), unhex(t, "72dde599")
	if !bytes.Equal(scrambler[:len(first)], first) || !bytes.Equal(scrambler[areaSize-4:], last) {
		t.Errorf("scrambler = % x … % x; want % x … % x", scrambler[:len(first)], scrambler[areaSize-4:], first, last)
	}
	sector := random(t, rand.New(rand.NewPCG(2, 2)), Mode1, 1234)
	twice := bytes.Clone(sector)
	for range 2 {
		if err := Scramble(twice); err != nil {
			t.Fatal(err)
		}
		if bytes.Equal(twice[:12], sector[:12]) == false {
			t.Fatal("Scramble changed the sync")
		}
	}
	if !bytes.Equal(twice, sector) {
		t.Error("Scramble twice does not give the sector back")
	}
}

func TestEncodeAgainstTheRules(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	for _, k := range kinds {
		for _, lba := range []int64{-150, -1, 0, 16, 333_000, 449_849} {
			got := make([]byte, Size)
			for i := range got {
				got[i] = byte(rng.Uint32())
			}
			want := bytes.Clone(got)
			if err := Encode(got, k, lba); err != nil {
				t.Fatalf("Encode(%v, %d): %v", k, lba, err)
			}
			slowSector(want, k, int(lba))
			if !bytes.Equal(got, want) {
				t.Fatalf("Encode(%v, %d) differs from the rules", k, lba)
			}
			if kind, at, err := Detect(got); kind != k && k != Formless || at != lba || err != nil {
				t.Errorf("Detect = %v, %d, %v; want %v, %d", kind, at, err, k, lba)
			}
		}
	}
}

// Every word of P and Q is a code word of the general code of package rs.
func TestWordsAgainstPackageRS(t *testing.T) {
	codes := map[int]*rs.Code{}
	for _, n := range []int{26, 45} {
		code, err := rs.New(n, n-2, 0)
		if err != nil {
			t.Fatal(err)
		}
		codes[n] = code
	}
	rng := rand.New(rand.NewPCG(4, 4))
	sector := random(t, rng, Mode1, 99)
	for i, at := range slowWords() {
		word := make([]byte, len(at))
		for j, offset := range at {
			word[j] = sector[offset]
		}
		if !codes[len(at)].Check(word) {
			t.Fatalf("word %d of %d symbols is no code word for package rs", i, len(at))
		}
	}
}

// The syndromes of an area that is no sector at all, word by word.
func TestSyndromesAgainstTheRules(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	for range 5 {
		sector := make([]byte, Size)
		for i := range sector {
			sector[i] = byte(rng.Uint32())
		}
		var s syndromes
		s.compute((*area)(sector[12:]))
		for i, at := range slowWords() {
			h, n, q := i/43, i%43, i >= 86
			if q {
				h, n = (i-86)/26, (i-86)%26
			}
			w0, w1 := slowSums(sector, at)
			g0, g1 := s.p0[(2*n+h)%pWords], s.p1[(2*n+h)%pWords]
			if q {
				g0, g1 = s.q0[2*n+h], s.q1[2*n+h]
			}
			if g0 != w0 || g1 != w1 {
				t.Fatalf("word %d, half %d (Q: %v): S0, S1 = %02x, %02x; want %02x, %02x", n, h, q, g0, g1, w0, w1)
			}
			for j, offset := range at {
				if got := place(q, 2*n+h, j); got != offset-12 {
					t.Fatalf("symbol %d of word %d, half %d (Q: %v) lies at %d; want %d", j, n, h, q, got, offset-12)
				}
			}
		}
	}
}

func TestDetect(t *testing.T) {
	sector := random(t, rand.New(rand.NewPCG(6, 6)), Form1, 4500)
	with := func(at int, v byte) []byte {
		s := bytes.Clone(sector)
		s[at] = v
		return s
	}
	for _, c := range []struct {
		name   string
		sector []byte
		kind   Kind
		lba    int64
		err    error
	}{
		{"as encoded", sector, Form1, 4500, nil},
		{"indicator bits in the mode", with(15, 0xE2), Form1, 4500, nil},
		{"other mode", with(15, 1), Mode1, 4500, nil},
		{"subheaders differ", with(20, sector[20]^1), Formless, 4500, nil},
		{"mode 0", with(15, 0), 0, 0, ErrHeader},
		{"mode 3", with(15, 3), 0, 0, ErrHeader},
		{"sync", with(5, 0xFE), 0, 0, ErrHeader},
		{"not BCD", with(12, 0x1A), 0, 0, ErrHeader},
		{"second 60", with(13, 0x60), 0, 0, ErrHeader},
		{"frame 75", with(14, 0x75), 0, 0, ErrHeader},
		{"short", sector[:2351], 0, 0, ErrLength},
		{"none", nil, 0, 0, ErrLength},
	} {
		if k, lba, err := Detect(c.sector); k != c.kind || lba != c.lba || !errors.Is(err, c.err) {
			t.Errorf("%s: Detect = %v, %d, %v; want %v, %d, %v", c.name, k, lba, err, c.kind, c.lba, c.err)
		}
	}
}

func TestUserData(t *testing.T) {
	sector := make([]byte, Size)
	for i := range sector {
		sector[i] = byte(i >> 3)
	}
	for k, want := range map[Kind][2]int{Mode1: {16, 2048}, Form1: {24, 2048}, Form2: {24, 2324}, Formless: {16, 2336}} {
		got, err := UserData(sector, k)
		if err != nil || !bytes.Equal(got, sector[want[0]:][:want[1]]) || cap(got) != len(got) {
			t.Errorf("UserData(%v) = %d bytes, capacity %d, %v; want %d bytes from %d", k, len(got), cap(got), err, want[1], want[0])
		}
	}
}

func TestMistakes(t *testing.T) {
	good := make([]byte, Size)
	for _, c := range []struct {
		name   string
		sector []byte
		kind   Kind
		lba    int64
		want   error
	}{
		{"short", good[:2351], Mode1, 0, ErrLength},
		{"long", make([]byte, 2353), Form2, 0, ErrLength},
		{"none", nil, Mode1, 0, ErrLength},
		{"kind 0", good, 0, 0, ErrKind},
		{"kind 5", good, 5, 0, ErrKind},
		{"kind 255", good, 255, 0, ErrKind},
		{"before the pre-gap", good, Mode1, -151, ErrAddress},
		{"after the last minute", good, Mode1, 449_850, ErrAddress},
		{"absurd", good, Mode1, 1 << 62, ErrAddress},
	} {
		if err := Encode(c.sector, c.kind, c.lba); !errors.Is(err, c.want) {
			t.Errorf("%s: Encode = %v; want %v", c.name, err, c.want)
		}
		if len(bytes.TrimLeft(c.sector, "\x00")) != 0 {
			t.Fatalf("%s: Encode failed and changed the sector", c.name)
		}
		if c.want == ErrAddress {
			continue
		}
		if _, err := Verify(c.sector, c.kind); !errors.Is(err, c.want) {
			t.Errorf("%s: Verify = %v; want %v", c.name, err, c.want)
		}
		if _, err := Repair(c.sector, c.kind, nil); !errors.Is(err, c.want) {
			t.Errorf("%s: Repair = %v; want %v", c.name, err, c.want)
		}
		if _, err := UserData(c.sector, c.kind); !errors.Is(err, c.want) {
			t.Errorf("%s: UserData = %v; want %v", c.name, err, c.want)
		}
	}
	for _, n := range []int{0, 293, 295, 2352} {
		if _, err := Repair(good, Mode1, make([]byte, n)); !errors.Is(err, ErrLength) {
			t.Errorf("Repair with %d bytes of C2 pointers = %v; want %v", n, err, ErrLength)
		}
	}
	if err := Scramble(good[1:]); !errors.Is(err, ErrLength) {
		t.Errorf("Scramble of 2351 bytes = %v; want %v", err, ErrLength)
	}
}
