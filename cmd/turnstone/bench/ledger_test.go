package bench

import (
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"testing"
)

// A page that is told in steps comes to the same as one that is told all at once,
// whatever changes in between, and is told nothing twice.
func TestLedgerTellsWhatChanged(t *testing.T) {
	rnd := rand.New(rand.NewPCG(1, 2))
	l := newLedger("E")
	knows, at := map[string]string{}, ""
	take := func(p patch) {
		for key, value := range p.Set {
			if knows[key] = string(value); knows[key] == "null" {
				delete(knows, key)
			}
		}
		at = p.At
	}
	for range 2000 {
		key := fmt.Sprintf("job/%d", rnd.IntN(20))
		switch rnd.IntN(10) {
		case 0:
			l.drop(key)
		case 1, 2, 3:
			p, _ := l.since(at, "")
			take(p)
			if p, _ := l.since(at, ""); len(p.Set) > 0 {
				t.Errorf("since(%s) tells %v; want nothing, which was told", at, p.Set)
			}
		default:
			l.put(key, rnd.IntN(4))
		}
	}
	p, _ := l.since(at, "")
	take(p)
	all, _ := l.since("", "")
	want := map[string]string{}
	for key, value := range all.Set {
		want[key] = string(value)
	}
	if !maps.Equal(knows, want) || at != all.At {
		t.Errorf("a page that was told in steps knows %v at %s; want %v at %s", knows, at, want, all.At)
	}
}

// What is of one case goes to who looks at it; who knew another server gets everything;
// what did not change wakes nobody.
func TestLedgerOfOneCase(t *testing.T) {
	l := newLedger("E")
	l.put("job/A", 1)
	l.put("case/A/rounds", 2)
	l.put("case/B/rounds", 3)
	for _, c := range []struct {
		at, id string
		want   int
	}{{"", "", 1}, {"", "A", 2}, {"", "B", 2}, {"E.1", "A", 1}, {"E.3", "A", 0}, {"OTHER.3", "A", 2}, {"E.x", "A", 2}, {"E.99", "", 0}} {
		if p, _ := l.since(c.at, c.id); len(p.Set) != c.want || p.At != "E.3" {
			t.Errorf("since(%q, %q) = %d entries at %s; want %d at E.3", c.at, c.id, len(p.Set), p.At, c.want)
		}
	}
	_, changed := l.since("E.3", "")
	l.put("job/A", 1)
	l.drop("job/nothing")
	select {
	case <-changed:
		t.Error("an entry that was put as it was has woken a page")
	default:
	}
	l.put("job/A", 2)
	<-changed
	l.drop("case/A/")
	p, _ := l.since("E.4", "A")
	if got := p.Set["case/A/rounds"]; string(got) != "null" {
		t.Errorf("an entry that is gone is told as %s; want null", got)
	}
	if p, _ := l.since("", "A"); len(p.Set) != 1 {
		b, _ := json.Marshal(p)
		t.Errorf("a new page is told %s; want nothing of what is gone", b)
	}
}
