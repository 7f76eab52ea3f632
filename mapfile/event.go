package mapfile

import (
	"bytes"
	"compress/flate"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"turnstone/device/sector"
)

// FailedRead is the kind of event that stands for read commands that failed.
const FailedRead = "failed-read"

// Event is something that happened, for the file of the job.
type Event struct {
	Time  time.Time     `json:"time"`
	Pass  int           `json:"pass"` // -1 outside a pass
	Kind  string        `json:"kind"` // FailedRead, "stall", "reopen", "gone", "identity-read", ...
	Range sector.Range  `json:"range,omitzero"`
	Count int           `json:"count,omitempty"` // how many alike this one stands for; 0 means 1
	Took  time.Duration `json:"took,omitempty"`  // of all of them
	Text  string        `json:"text,omitempty"`
}

// Events are kept in blocks of JSON lines. A block is closed when its lines
// have blockText bytes; a line has at most lineText, the longest Text and Kind
// written with every byte escaped, and some more.
const (
	blockText = 32 << 10
	maxText   = 4 << 10
	lineText  = 2*6*maxText + 1<<10
)

// AddEvent notes an event; it is pending until the next Commit, and not kept in
// memory afterwards. A failed read that adjoins the one before it, in the same
// pass and with the same text, becomes one event with it: the time of the first,
// the range of both, their number and how long they took. A text is cut off at
// 4 KiB, a range that no disc has is left out.
func (m *Map) AddEvent(e Event) {
	e.Text, e.Kind = cut(e.Text), cut(e.Kind)
	if e.Range.Empty() || e.Range.First < 0 || e.Range.End > maxSectors {
		e.Range = sector.Range{}
	}
	if n := len(m.events); n > 0 && m.events[n-1].absorb(e) {
		return
	}
	m.events = append(m.events, e)
}

func cut(s string) string {
	if len(s) <= maxText {
		return s
	}
	return strings.ToValidUTF8(s[:maxText], "")
}

// absorb makes o part of e, if both are failed reads that adjoin and are alike.
func (e *Event) absorb(o Event) bool {
	alike := e.Kind == FailedRead && o.Kind == FailedRead && e.Pass == o.Pass && e.Text == o.Text
	adjoin := e.Range.End == o.Range.First || o.Range.End == e.Range.First
	if !alike || !adjoin || e.Range.Empty() || o.Range.Empty() {
		return false
	}
	e.Range = sector.Range{First: min(e.Range.First, o.Range.First), End: max(e.Range.End, o.Range.End)}
	e.Count = max(1, e.Count) + max(1, o.Count)
	e.Took += o.Took
	return true
}

// eventLine is an event as it stands in the file.
type eventLine struct {
	Time    time.Time  `json:"time"`
	Pass    int        `json:"pass"`
	Kind    string     `json:"kind"`
	First   sector.LBA `json:"first,omitempty"`
	Sectors int64      `json:"sectors,omitempty"`
	Count   int        `json:"count,omitempty"`
	Took    int64      `json:"took_ns,omitempty"`
	Text    string     `json:"text,omitempty"`
}

// appendEvent appends the event as a line of JSON.
func appendEvent(b []byte, e Event) ([]byte, error) {
	line, err := json.Marshal(eventLine{
		e.Time, e.Pass, e.Kind, e.Range.First, e.Range.Count(), e.Count, int64(e.Took), e.Text,
	})
	if err != nil {
		return nil, fmt.Errorf("event %q: %w", e.Kind, err)
	}
	return append(append(b, line...), '\n'), nil
}

// pack is the value of a block of lines: deflated (RFC 1951).
func pack(lines []byte) ([]byte, error) {
	var out bytes.Buffer
	w, err := flate.NewWriter(&out, flate.BestSpeed)
	if err != nil {
		return nil, err
	}
	if _, err := w.Write(lines); err != nil {
		return nil, err
	}
	if err := w.Close(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

var errEvents = errors.New("not a block of events")

// unpack is the lines of a block. It inflates no more than a block can have.
func unpack(value []byte) ([]byte, error) {
	in := bytes.NewReader(value)
	lines, err := io.ReadAll(io.LimitReader(flate.NewReader(in), blockText+lineText+1))
	if err != nil || in.Len() > 0 || len(lines) > blockText+lineText {
		return nil, errEvents
	}
	return lines, nil
}

// decodeEvents reads the value of a block of events.
func decodeEvents(value []byte) ([]Event, error) {
	lines, err := unpack(value)
	if err != nil {
		return nil, err
	}
	var events []Event
	for len(lines) > 0 {
		end := bytes.IndexByte(lines, '\n')
		if end < 0 {
			return nil, errEvents
		}
		var l eventLine
		if err := json.Unmarshal(lines[:end], &l); err != nil ||
			l.First < 0 || l.First > maxSectors || l.Sectors < 0 || l.Sectors > maxSectors {
			return nil, errEvents
		}
		lines = lines[end+1:]
		e := Event{l.Time, l.Pass, l.Kind, sector.Range{}, l.Count, time.Duration(l.Took), l.Text}
		if l.Sectors > 0 {
			e.Range = sector.Span(l.First, l.Sectors)
		}
		events = append(events, e)
	}
	return events, nil
}
