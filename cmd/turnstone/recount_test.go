package main

import (
	"bufio"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"
)

// The figures of simulate are worked out once more from its two files alone, by
// nothing of the ruler or the plan, for every order; and what a drive can't do must
// not have happened: answers that overlap, a sector delivered twice, more than the
// fastest speed gives, a failure sooner than a tenth of a second, blocks that come
// with a chance of 0 or fail with one of 1.
func TestFiguresFromTraceAndTruth(t *testing.T) {
	for _, order := range []string{"planned", "straight", "stretches", "oracle"} {
		t.Run(order, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			trace, truth := filepath.Join(dir, "trace"), filepath.Join(dir, "truth")
			r := turnstone(t, "simulate", scenarioFile(t, "scratched"), "--order", order, "--json", "--trace", trace, "--truth", truth)
			var got struct{ Passes []recount }
			if err := json.Unmarshal([]byte(r.out), &got); err != nil || len(got.Passes) != 1 {
				t.Fatalf("simulate --json: %v, %d passes; want 1\n%s", err, len(got.Passes), r.err)
			}
			want := recountOf(t, trace, truth)
			have := got.Passes[0]
			for _, x := range []struct {
				what       string
				have, want float64
			}{
				{"missing", have.Missing, want.Missing}, {"readable", have.Readable, want.Readable}, {"good", have.Good, want.Good},
				{"failed reads", have.Failed, want.Failed}, {"lost tracks", have.Lost, want.Lost}, {"read again", have.Again, 0},
				{"t50", have.T50, want.T50}, {"t90", have.T90, want.T90}, {"t99", have.T99, want.T99},
				{"mean", have.Mean, want.Mean}, {"seconds", have.Seconds, want.Seconds},
			} {
				if math.Abs(x.have-x.want) > 1e-4*max(1, x.want) {
					t.Errorf("%s = %v; from trace and truth %v", x.what, x.have, x.want)
				}
			}
		})
	}
}

func scenarioFile(t *testing.T, name string) string {
	t.Helper()
	path, err := filepath.Abs(filepath.Join("../../testdata/scenarios", name+".json"))
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// recount is the figures of a pass.
type recount struct {
	Missing  float64 `json:"missing"`
	Readable float64 `json:"readable"`
	Good     float64 `json:"good"`
	Failed   float64 `json:"failed_reads"`
	Lost     float64 `json:"lost_tracks"`
	Again    float64 `json:"read_again"`
	T50      float64 `json:"t50"`
	T90      float64 `json:"t90"`
	T99      float64 `json:"t99"`
	Mean     float64 `json:"mean"`
	Seconds  float64 `json:"seconds"`
}

// eachLine decodes a file's lines.
func eachLine[T any](t *testing.T, path string, do func(T)) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		var v T
		if err := json.Unmarshal(lines.Bytes(), &v); err != nil {
			t.Fatalf("%s: %v: %s", path, err, lines.Text())
		}
		do(v)
	}
	if err := lines.Err(); err != nil {
		t.Fatal(err)
	}
}

// recountOf works the figures of the only drive's only pass out.
func recountOf(t *testing.T, trace, truth string) (f recount) {
	t.Helper()
	const block = 16
	type fate struct {
		Chance [][]float64
		Lost   [][]bool
	}
	var fates []fate
	eachLine(t, truth, func(x fate) {
		fates = append(fates, x)
		if x.Chance[0][0] >= 0.5 {
			f.Readable += block
		}
	})
	f.Missing = float64(block * len(fates))
	came := map[int64]bool{}
	var times []float64 // of readable sectors
	last := 0.0
	eachLine(t, trace, func(c struct {
		T0, T1           float64
		LBA, Count, Good int64
		Outcome          string
		X                float64
	}) {
		took := c.T1 - c.T0
		if c.T0 < last-2e-6 {
			t.Fatalf("a command begins at %v, before the one ahead of it ended at %v", c.T0, last)
		}
		// Common practice: X times 1.385 MB/s where the data zone of 58 mm ends.
		if least := float64(c.Good*2048) / (c.X * 1.385e6 * 58.6 / 58); c.X > 16 || took < least-2e-6 {
			t.Fatalf("%d sectors at %d took %v s at %v times; at least %v", c.Good, c.LBA, took, c.X, least)
		}
		last, f.Seconds = c.T1, c.T1
		for a := c.LBA; a < c.LBA+c.Good; a++ {
			if came[a] {
				t.Fatalf("sector %d came twice", a)
			}
			came[a] = true
			if fates[a/block].Chance[0][0] >= 0.5 {
				times = append(times, c.T1)
			}
		}
		for b := c.LBA / block; (b+1)*block <= c.LBA+c.Good; b++ {
			if b*block >= c.LBA && fates[b].Chance[0][0] == 0 && c.X > 2 {
				t.Fatalf("block %d came; its chance is 0", b)
			}
		}
		if c.Outcome == "ok" {
			return
		}
		f.Failed++
		b := (c.LBA + c.Good) / block
		if c.Outcome != "medium" {
			f.Lost++
			if !fates[b].Lost[0][0] || took < 3 {
				t.Fatalf("the track was lost in block %d after %v s; the truth says %v, and 3 s at least", b, took, fates[b].Lost[0][0])
			}
		}
		if took < 0.1 || fates[b].Chance[0][0] == 1 {
			t.Fatalf("block %d failed after %v s; its chance is %v", b, took, fates[b].Chance[0][0])
		}
	})
	f.Good = float64(len(came))
	slices.Sort(times)
	sum := (f.Readable - float64(len(times))) * f.Seconds
	for _, x := range times {
		sum += x
	}
	f.Mean = sum / f.Readable
	at := func(share float64) float64 {
		n := int(math.Ceil(share * f.Readable))
		if n > len(times) {
			return 0
		}
		return times[n-1]
	}
	f.T50, f.T90, f.T99 = at(.5), at(.9), at(.99)
	return f
}
