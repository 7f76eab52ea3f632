package mapfile

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"go.etcd.io/bbolt"

	"turnstone/device/sector"
)

var update = flag.Bool("update", false, "write testdata/format.txt anew")

// TestFormat holds the file's form: keys and values of a small map, as bbolt
// itself reads them, are those in testdata. The map has no events, whose
// compression is not ours to hold.
func TestFormat(t *testing.T) {
	m := New("example")
	d := Disc{Kind: "dvd", Sectors: 2000, BlockSectors: 16, Written: sector.Of(sector.Span(0, 640), sector.Span(704, 1296))}
	d.Identity = map[string]string{"capacity": "2000"}
	if err := m.SetDisc(d); err != nil {
		t.Fatal(err)
	}
	m.AddRound(Round{Opened: day})
	m.AddRound(Round{Opened: day.AddDate(0, 0, 1), By: "N. N.", Note: "wet", Grams: 15.5,
		Treatments: []Treatment{{Typed: "sand 2000, 4 min, 24-48 mm", Word: "sand", Grade: "2000", Seconds: 240, FromMM: 24, ToMM: 48}}})
	m.AddDrive(Drive{Vendor: "ACME", Model: "Reader", Serial: "1", Node: "/dev/sr0"})
	retries := uint8(0)
	mustPass(t, m, Pass{Round: 0, Drive: 0, Started: day, Ended: day, How: "complete", Seconds: 1.5, Failed: 2,
		Settings: []Settings{{}, {Retries: &retries, SpeedKBps: 5540}}, Medium: "boot 1", Silence: &Silence{Sectors: sector.Span(640, 16), Seconds: 60}})
	mustPass(t, m, Pass{Round: 1, Drive: -1, Started: day, Origin: &Origin{Case: "other", Pass: 3}})
	mustRecord(t, m, 0, sector.Span(0, 32), Delivered)
	for a := sector.LBA(496); a < 528; a += 4 {
		mustRecord(t, m, 0, sector.Span(a, 2), Delivered)
		mustRecord(t, m, 0, sector.Span(a+2, 2), Failed)
	}
	if _, err := m.Record(0, Run{Range: sector.Span(1999, 1), Result: LostTrack, Attempts: 3, Took: 200, Alone: true, Settings: 1}, nil); err != nil {
		t.Fatal(err)
	}
	mustRecord(t, m, 1, sector.Span(496, 8), Merged)
	if _, err := m.Record(1, Run{Range: sector.Span(16, 2), Result: Merged}, []uint32{1, 2}); err != nil {
		t.Fatal(err)
	}
	if err := m.SetWanted(Wanted{Names: []string{"films", "b*.vob"}, Sectors: sector.Of(sector.Span(16, 4), sector.Span(300, 200)), Beside: sector.Of(sector.Span(600, 9)), Open: true}); err != nil {
		t.Fatal(err)
	}
	if err := m.SetClosing(Closing{State: Closed, At: day, By: "N. N.", KeepUntil: "2026-12-31"}); err != nil {
		t.Fatal(err)
	}
	path := mustCreate(t, m)

	var text strings.Builder
	db, err := bbolt.Open(path, 0, &bbolt.Options{ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	err = db.View(func(tx *bbolt.Tx) error {
		return tx.ForEach(func(name []byte, b *bbolt.Bucket) error {
			fmt.Fprintf(&text, "bucket %q\n", name)
			return b.ForEach(func(k, v []byte) error {
				body, sum := v[:len(v)-sealBytes], v[len(v)-sealBytes:]
				if string(name) == headBucket || string(name) == recordBucket {
					fmt.Fprintf(&text, "%q\n\t%s\n\t%x\n", k, body, sum)
					return nil
				}
				fmt.Fprintf(&text, "%x\n\t%x\n\t%x\n", k, body, sum)
				return nil
			})
		})
	})
	if err != nil {
		t.Fatal(err)
	}
	golden := filepath.Join("testdata", "format.txt")
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(golden, []byte(text.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	wantSame(t, "format", text.String(), string(mustRead(t, golden)))
}

// TestDatabase has bbolt's own check pass on a map that saw many commits.
func TestDatabase(t *testing.T) {
	db, err := bbolt.Open(rich(t), 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	err = db.View(func(tx *bbolt.Tx) error {
		for err := range tx.Check() {
			t.Errorf("bbolt says: %v", err)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
