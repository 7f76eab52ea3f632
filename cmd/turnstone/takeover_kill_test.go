package main

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"
)

var takeoverKills = flag.Int("takeoverkills", 3, "how often unpack, and merge, is killed at a random moment; 100 is the campaign")

// Killed at random moments unpack and merge never lie and lose no checkpoint: after each
// kill map and image are held against each other, and what was good is good. In the end
// the image is the disc.
func TestTakeOverKilled(t *testing.T) {
	t.Parallel()
	seed := *killSeed
	if seed == 0 {
		seed = rand.Uint64()
	}
	t.Logf("-killseed %d", seed)
	// A checkpoint is due every 64 MiB: a disc of three of them.
	const n = 3 * (64 << 20) / 2048
	disc := discFile(t, n)
	want, err := hashOf(disc)
	if err != nil {
		t.Fatal(err)
	}
	there := filepath.Join(t.TempDir(), "there")
	turnstone(t, "merge", there, "--image", disc, "--good", fmt.Sprintf("0-%d", n-1)).is(exitDone)
	file := filepath.Join(t.TempDir(), "there.pass")
	turnstone(t, "pack", there, file).is(exitDone)
	for name, command := range map[string]func(dir string) []string{
		"unpack": func(dir string) []string { return []string{"unpack", file, dir, "--json"} },
		"merge":  func(dir string) []string { return []string{"merge", dir, there, "--json"} },
	} {
		t.Run(name, func(t *testing.T) {
			random := rand.New(rand.NewPCG(seed, uint64(len(name))))
			dir := filepath.Join(t.TempDir(), "case")
			// The moments lie in this span. It follows the machine: down to what a whole
			// run takes, and up while the kills come before the first checkpoint.
			span := time.Second
			good, kept := int64(0), 0
			for killed := 0; killed < *takeoverKills; {
				began := time.Now()
				r := start(t, command(dir)...)
				time.Sleep(time.Duration(random.Int64N(int64(span)))) // the moment; nothing waits for it
				if !r.kill() {                                        // it had ended by itself: from the beginning, with a new case
					r.wait().is(exitDone)
					span = min(span, time.Since(began))
					if got, err := hashOf(filepath.Join(dir, "image.iso")); err != nil || got != want {
						t.Fatalf("the image is not the disc (%v)", err)
					}
					if err := os.RemoveAll(dir); err != nil {
						t.Fatal(err)
					}
					dir, good = filepath.Join(t.TempDir(), "case"), 0
					continue
				}
				r.wait()
				killed++
				span += span / 16
				if _, err := os.Stat(filepath.Join(dir, "map.db")); err != nil {
					continue // it had not made the case yet
				}
				turnstone(t, "check", "--deep", dir).is(exitDone)
				now := statusOf(t, dir).Good
				if now < good {
					t.Fatalf("good = %d after a kill; it was %d", now, good)
				} else if now > good {
					kept++
					span -= span / 8
				}
				good = now
			}
			turnstone(t, command(dir)...).is(exitDone)
			if got, err := hashOf(filepath.Join(dir, "image.iso")); err != nil || got != want {
				t.Errorf("the image is not the disc (%v)", err)
			}
			turnstone(t, "check", "--deep", dir).is(exitDone)
			t.Logf("killed %d times within %v, %d of them after a checkpoint", *takeoverKills, span, kept)
		})
	}
}
