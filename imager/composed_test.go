package imager

import (
	"os"
	"os/exec"
	"strings"
	"testing"
	"unicode"
)

// What Unicode Standard Annex 15 calls canonically equivalent is one name, and nothing
// else is: its figures 3 and 5, and Hangul of section 3.12 of the standard.
func TestComposedNamesAreOne(t *testing.T) {
	for _, same := range [][]string{
		{"\u00c5ngstro\u0308m", "A\u030angstr\u00f6m", "\u212bngstr\u00f6m", "a\u030aNGSTR\u00d6M"},
		{"\u1e69", "s\u0323\u0307"}, {"\uac01", "\u1100\u1161\u11a8"}, {"\u2126", "\u03a9"}, {"\u304c", "\u304b\u3099"},
	} {
		for _, other := range same[1:] {
			if foldSafe(same[0]) != foldSafe(other) {
				t.Errorf("foldSafe(%+q) != foldSafe(%+q); want one name", same[0], other)
			}
		}
	}
	for _, c := range [][2]string{{"\ufb01", "fi"}, {"a", "\u00e4"}, {"\u00e4", "\u00e5"}, {"2\u2075", "25"}} {
		if foldSafe(c[0]) == foldSafe(c[1]) {
			t.Errorf("foldSafe(%+q) = foldSafe(%+q); want two names", c[0], c[1])
		}
	}
	taken := namesTaken{}
	if a, b := taken.give("caf\u00e9.txt"), taken.give("cafe\u0301.txt"); a != "caf\u00e9.txt" || b != "cafe\u0301 (2).txt" {
		t.Errorf("give(two twins) = %+q, %+q; want the second with a number", a, b)
	}
}

// Every character of the Basic Multilingual Plane comes apart as Python's unicodedata
// takes it apart.
func TestDecompositionsAsPython(t *testing.T) {
	python, err := exec.LookPath("python3")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("python3 is not installed")
		}
		t.Skip("python3 is not installed")
	}
	out, err := exec.Command(python, "-X", "utf8", "-c", `
import unicodedata
for c in range(0x10000):
    if not 0xD800 <= c < 0xE000 and c > 32 and unicodedata.category(chr(c)) != 'Cn':
        print(chr(c) + ' ' + unicodedata.normalize('NFD', chr(c)))`).Output()
	if err != nil {
		t.Fatal(err)
	}
	n, other := 0, 0
	for line := range strings.SplitSeq(string(out), "\n") {
		c, want, found := strings.Cut(line, " ")
		runes := []rune(c)
		if !found || len(runes) != 1 || unicode.IsSpace(runes[0]) {
			continue
		}
		n++
		if got := string(appendDecomposed(nil, runes[0])); got != want {
			other++
			t.Errorf("%+q comes apart as %+q; want %+q", c, got, want)
		}
	}
	if n < 50_000 {
		t.Errorf("%d characters were compared", n)
	}
}
