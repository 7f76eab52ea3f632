package rs

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"

	"github.com/makiuchi-d/gozxing/common/reedsolomon"
)

// Two programs of others decode what this package encodes, and the other way
// round.

// TestAgainstGozxing: github.com/makiuchi-d/gozxing v0.1.1,
// common/reedsolomon, field of the QR code (11Dh, first root α⁰). It knows no
// erasures.
func TestAgainstGozxing(t *testing.T) {
	field := reedsolomon.GenericGF_QR_CODE_FIELD_256
	enc, dec := reedsolomon.NewReedSolomonEncoder(field), reedsolomon.NewReedSolomonDecoder(field)
	for _, s := range []struct{ n, k int }{{6, 4}, {26, 24}, {45, 43}, {182, 172}, {208, 192}, {255, 223}, {20, 9}} {
		c := mustNew(t, s.n, s.k, 0)
		d, r := c.NewDecoder(), rng(uint64(s.n))
		for wrong := range (s.n-s.k)/2 + 3 {
			word := randomWord(r, c)
			theirs := ints(word)
			clear(theirs[s.k:])
			if err := enc.Encode(theirs, s.n-s.k); err != nil || !slices.Equal(theirs, ints(word)) {
				t.Fatalf("%v: Encode = %x; gozxing %x, %v", s, word, theirs, err)
			}
			r.hit(word, wrong, nil)
			theirs = ints(word)
			err := dec.Decode(theirs, s.n-s.k)
			res, _ := d.Decode(word, nil)
			if (err == nil) != (res.Verdict != Uncorrectable) {
				t.Fatalf("%v, %d wrong: %v; gozxing %v", s, wrong, res.Verdict, err)
			}
			if err == nil && !slices.Equal(theirs, ints(word)) {
				t.Fatalf("%v, %d wrong: decoded %x; gozxing %x", s, wrong, word, theirs)
			}
		}
	}
}

func ints(p []byte) []int {
	out := make([]int, len(p))
	for i, b := range p {
		out[i] = int(b)
	}
	return out
}

// fecHelper decodes words with libfec. A job on its standard input is six bytes
// (n, n-k, first root, number of erasures, two zeros), the erasures, the word; it
// answers with one byte, the count that libfec gives (255 for uncorrectable), and
// the word.
const fecHelper = `
#include <stdio.h>
#include <fec.h>
int main(void) {
	unsigned char head[6], erased[255], word[255];
	while (fread(head, 1, 6, stdin) == 6) {
		int at[255], n = head[0], checks = head[1], count;
		if (fread(erased, 1, head[3], stdin) != head[3] || fread(word, 1, n, stdin) != (size_t)n) return 1;
		for (int i = 0; i < head[3]; i++) at[i] = erased[i]; /* this libfec counts from the word's start */
		void *rs = init_rs_char(8, 0x11d, head[2], 1, checks, 255 - n);
		if (!rs) return 2;
		count = decode_rs_char(rs, word, at, head[3]);
		free_rs_char(rs);
		putchar(count < 0 ? 255 : count);
		fwrite(word, 1, n, stdout);
	}
	return 0;
}
`

// TestAgainstLibfec: Debian's libfec 1.0-26 (package libfec-dev), erasures and
// other first roots included, through a helper built with the C compiler. Where
// compiler or library are missing the test is skipped; under CI it fails.
func TestAgainstLibfec(t *testing.T) {
	dir := t.TempDir()
	source, helper := filepath.Join(dir, "helper.c"), filepath.Join(dir, "helper")
	if err := os.WriteFile(source, []byte(fecHelper), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("cc", "-O1", "-o", helper, source, "-lfec").CombinedOutput(); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatalf("no C compiler with libfec here (packages gcc, libfec-dev): %v\n%s", err, out)
		}
		t.Skipf("no C compiler with libfec here (package libfec-dev): %v\n%s", err, out)
	}

	type job struct {
		c      *Code
		hurt   []byte
		erased []int
	}
	var jobs []job
	var in bytes.Buffer
	r := rng(11)
	for _, s := range shapes {
		c, checks := mustNew(t, s.n, s.k, s.first), s.n-s.k
		for range 30 {
			j := job{c: c, hurt: randomWord(r, c)}
			f := r.IntN(min(checks, s.n-1) + 1)
			j.erased = r.hit(j.hurt, f, nil)
			r.hit(j.hurt, r.IntN(min((checks-f)/2, s.n-f)+1), j.erased)
			in.Write([]byte{byte(s.n), byte(checks), byte(s.first), byte(f), 0, 0})
			for _, p := range j.erased {
				in.WriteByte(byte(p))
			}
			in.Write(j.hurt)
			jobs = append(jobs, j)
		}
	}
	cmd := exec.Command(helper)
	cmd.Stdin = &in
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("the helper failed: %v", err)
	}
	for _, j := range jobs {
		name := fmt.Sprintf("(%d, %d, %d), %d erased", j.c.n, j.c.k, j.c.first, len(j.erased))
		if len(out) < 1+j.c.n {
			t.Fatalf("%s: the helper's answer ends early", name)
		}
		count, theirs := out[0], out[1:1+j.c.n]
		out = out[1+j.c.n:]
		word := bytes.Clone(j.hurt)
		res, err := j.c.NewDecoder().Decode(word, j.erased)
		if err != nil || res.Verdict == Uncorrectable || count == 255 {
			t.Fatalf("%s: %v, %v; libfec %d; want both to correct", name, res, err, count)
		}
		if !bytes.Equal(word, theirs) {
			t.Fatalf("%s: decoded %x; libfec %x", name, word, theirs)
		}
	}
}
