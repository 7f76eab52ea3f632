package bench

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"sync"
)

// ledger is what pages are told: entries by key, each with the number of its last
// change. Its methods may be called by any goroutine.
type ledger struct {
	epoch string

	mu      sync.Mutex
	n       uint64
	entries map[string]entry
	changed chan struct{} // closed with the next change
}

type entry struct {
	value json.RawMessage // null: it is gone
	at    uint64
}

var gone = json.RawMessage("null")

// newLedger is an empty ledger; epoch tells it from every other.
func newLedger(epoch string) *ledger {
	return &ledger{epoch: epoch, entries: map[string]entry{}, changed: make(chan struct{})}
}

// put says what an entry is now.
func (l *ledger) put(key string, value any) {
	b, err := json.Marshal(value)
	if err != nil {
		panic("internal error: " + err.Error()) // plain numbers and strings
	}
	l.set(key, b)
}

func (l *ledger) set(key string, value json.RawMessage) {
	l.mu.Lock()
	defer l.mu.Unlock()
	was, known := l.entries[key]
	if known && bytes.Equal(was.value, value) || !known && bytes.Equal(value, gone) {
		return
	}
	l.n++
	l.entries[key] = entry{value, l.n}
	close(l.changed)
	l.changed = make(chan struct{})
}

// drop says that the entries whose keys begin so are gone.
func (l *ledger) drop(prefix string) {
	l.mu.Lock()
	keys := slices.Collect(maps.Keys(l.entries))
	l.mu.Unlock()
	for _, key := range keys {
		if strings.HasPrefix(key, prefix) {
			l.set(key, gone)
		}
	}
}

// patch is what changed.
type patch struct {
	At  string                     `json:"at"`
	Set map[string]json.RawMessage `json:"set"`
}

// since is what changed since a moment, of what is of all and of one case (by its ID;
// "" for none), and a channel that is closed with the next change. Of a moment of
// another ledger, or of none, it is everything that there is.
func (l *ledger) since(at, id string) (patch, <-chan struct{}) {
	l.mu.Lock()
	defer l.mu.Unlock()
	from, known := uint64(0), false
	if n, ok := strings.CutPrefix(at, l.epoch+"."); ok {
		var err error
		from, err = strconv.ParseUint(n, 10, 64)
		known = err == nil
	}
	p := patch{At: fmt.Sprintf("%s.%d", l.epoch, l.n), Set: map[string]json.RawMessage{}}
	for key, e := range l.entries {
		if e.at <= from && known || !known && bytes.Equal(e.value, gone) {
			continue
		}
		if !strings.HasPrefix(key, "case/") || id != "" && strings.HasPrefix(key, "case/"+id+"/") {
			p.Set[key] = e.value
		}
	}
	return p, l.changed
}
