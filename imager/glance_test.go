package imager

import (
	"reflect"
	"testing"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// A look works out once where a case stands: what it says is of the moment at which it was
// first asked, and the same as what is said without it.
func TestLookOnce(t *testing.T) {
	dir := t.TempDir()
	m := past{passes: []pastRead{{asked: 96, failed: 64}}}.of(t)
	look := LookAt(m)
	st := look.StatusIn(dir)
	if want := StatusIn(dir, m); !reflect.DeepEqual(st, want) {
		t.Errorf("StatusIn(a look) = %+v; want %+v", st, want)
	}
	advice := look.Advise()
	if want := Advise(m); !reflect.DeepEqual(advice, want) || len(advice) == 0 {
		t.Errorf("Advise(a look) = %+v; want %+v", advice, want)
	}
	run := mapfile.Run{Range: sector.Range{End: discEnd}, Result: mapfile.Delivered, Attempts: 1}
	if _, err := m.Record(0, run, make([]uint32, discEnd)); err != nil {
		t.Fatal(err)
	}
	if reflect.DeepEqual(Advise(m), advice) {
		t.Fatal("a disc that is read whole has the advice of one that is not")
	}
	if again := look.StatusIn(dir); !reflect.DeepEqual(again, st) {
		t.Errorf("StatusIn(a look, once more) = %+v; want %+v, worked out once", again, st)
	}
	if again := look.Advise(); !reflect.DeepEqual(again, advice) {
		t.Errorf("Advise(a look, once more) = %+v; want %+v, by the status that was worked out", again, advice)
	}
}
