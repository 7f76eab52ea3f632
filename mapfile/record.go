package mapfile

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"turnstone/device/sector"
)

// State is what the case knows of one sector.
type State uint8

const (
	Untried State = iota // it was never asked for
	Bad                  // it was asked for and did not come
	Good                 // its data is durable in the image
)

var stateWords = [...]string{Untried: "untried", Bad: "bad", Good: "good"}

// String is the state in the case's words.
func (s State) String() string { return word(stateWords[:], uint8(s), "state") }

// Result is what became of sectors that a pass asked for.
type Result uint8

const (
	Delivered Result = iota + 1 // they came
	Failed                      // the disc did not give them up
	LostTrack                   // the drive lost the track there
	Stalled                     // the drive stopped answering there
	Merged                      // they came from another case, an image or a pass file
)

var resultWords = [...]string{
	Delivered: "delivered", Failed: "failed", LostTrack: "track lost", Stalled: "stalled", Merged: "merged",
}

// String is the result in words.
func (r Result) String() string { return word(resultWords[:], uint8(r), "result") }

// Came tells whether sectors with this result came.
func (r Result) Came() bool { return r == Delivered || r == Merged }

func word(words []string, i uint8, kind string) string {
	if int(i) < len(words) && words[i] != "" {
		return words[i]
	}
	return fmt.Sprintf("%s %d", kind, i)
}

// Disc is what the case knows of its disc.
type Disc struct {
	Kind         string            // "cd", "dvd", "bd" or "unknown"
	Sectors      int64             // capacity; 0 while the disc was not recognised
	BlockSectors int64             // sectors of an ECC block
	Written      sector.Set        // the written area, within Sectors
	Sessions     []int64           // sectors where sessions begin, oldest first; none where that is not known
	Layers       []int64           // sectors of each layer, in order of address; none where that is not known
	Parallel     bool              // two layers are both read outwards (parallel track path)
	Identity     map[string]string // what the drive tells without reading sectors, by name
	Seen         *Seen             // what the eye saw; nil: nobody looked
	Held         *Held             // how the disc in the hand lies to its angles; nil: nobody told
}

// Seen is what the eye saw of a disc before it was spun. What was not told is
// empty.
type Seen struct {
	At      time.Time `json:"at"`
	Crack   string    `json:"crack,omitempty"`   // "yes", "no"
	Fragile string    `json:"fragile,omitempty"` // "yes", "no"
	Label   string    `json:"label,omitempty"`   // "sound", "holes"
	SizeCM  int       `json:"size_cm,omitempty"` // 8, 12
	By      string    `json:"by,omitempty"`
	Note    string    `json:"note,omitempty"`

	// CapKBps is the speed, in 1000 bytes a second, that the user wants a fragile
	// disc to be read at, at most; 0 where nothing was said.
	CapKBps int `json:"cap_kbps,omitempty"`
}

// Held is how the disc in somebody's hand lies to the angles of its track, by marks that
// were seen on it.
type Held struct {
	Side     string       `json:"side"`                // from which it was looked at: "read", "label"
	TurnDeg  float64      `json:"turn_deg"`            // degrees clockwise from the reading side: where angle 0 lies
	PerTurn  [][2]float64 `json:"per_turn,omitempty"`  // blocks of a turn where each layer begins and ends, by which angles were told
	OffMM    float64      `json:"off_mm"`              // root of the mean square of what places and marks are apart
	Doubtful bool         `json:"doubtful,omitempty"`  // another turn fits nearly as well
	LooseDeg float64      `json:"loose_deg,omitempty"` // degrees, as a standard deviation, that are left open at the radius of some mark
	Places   []string     `json:"places"`              // as they were told; where a mark was named, with its radius
}

// clone is a copy that shares nothing.
func (d Disc) clone() Disc {
	d.Written, d.Identity, d.Layers, d.Sessions = d.Written.Clone(), maps.Clone(d.Identity), slices.Clone(d.Layers), slices.Clone(d.Sessions)
	if d.Seen != nil {
		seen := *d.Seen
		d.Seen = &seen
	}
	if d.Held != nil {
		held := *d.Held
		held.Places, held.PerTurn = slices.Clone(held.Places), slices.Clone(held.PerTurn)
		held.TurnDeg, held.OffMM, held.LooseDeg = number(held.TurnDeg), number(held.OffMM), number(held.LooseDeg)
		for i, p := range held.PerTurn {
			held.PerTurn[i] = [2]float64{number(p[0]), number(p[1])}
		}
		d.Held = &held
	}
	return d
}

// Settings are the drive's settings in force for a run. The zero value is the
// drive's own.
type Settings struct {
	Retries   *uint8 `json:"read_retry_count,omitempty"`
	SpeedKBps int    `json:"speed_kbps,omitempty"`
}

// Run is what one pass learned of neighbouring sectors that fared alike.
type Run struct {
	Range    sector.Range
	Result   Result
	Attempts uint8     // how often this pass asked for them, saturating at 255; of what came, see ReadingsOf
	Took     TimeClass // of the last request that held them
	Weak     bool      // delivered, but with more work than usual
	Alone    bool      // each asked for by itself, of an ECC block that holds more
	Settings uint8     // index into the pass's Settings
}

// Treatment is one thing that was done to the surface.
type Treatment struct {
	Typed   string  `json:"typed"`             // as the user typed it
	Word    string  `json:"word"`              // the word of the trade that it begins with
	Grade   string  `json:"grade,omitempty"`   // grit, compound; of another treatment what was done
	Seconds float64 `json:"seconds,omitempty"` // how long; 0: not told
	FromMM  float64 `json:"from_mm,omitempty"` // the band of radii that was treated
	ToMM    float64 `json:"to_mm,omitempty"`   // 0: not told
}

// Round is one state of the disc's surface; its number is its index.
type Round struct {
	Opened      time.Time   `json:"opened"`
	Treatments  []Treatment `json:"treatments,omitempty"` // what opened it; none in round 0
	By          string      `json:"by,omitempty"`
	Note        string      `json:"note,omitempty"`
	Grams       float64     `json:"grams,omitempty"`        // the disc's weight before the round; 0: not told
	ThicknessMM float64     `json:"thickness_mm,omitempty"` // the disc's thickness before the round; 0: not told
}

// clone is a copy that shares nothing. Figures that are no numbers, which JSON
// can't hold, become 0.
func (r Round) clone() Round {
	r.Treatments = slices.Clone(r.Treatments)
	for i := range r.Treatments {
		t := &r.Treatments[i]
		t.Seconds, t.FromMM, t.ToMM = number(t.Seconds), number(t.FromMM), number(t.ToMM)
	}
	r.Grams, r.ThicknessMM = number(r.Grams), number(r.ThicknessMM)
	return r
}

func number(f float64) float64 {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return 0
	}
	return f
}

// Drive is a drive that a pass used; its number is its index.
type Drive struct {
	Vendor string `json:"vendor,omitempty"`
	Model  string `json:"model,omitempty"`
	Serial string `json:"serial,omitempty"`
	Node   string `json:"node"`
	Port   string `json:"port,omitempty"` // of USB, as it was when the drive was met first

	// Restore is the settings that the drive is to be given back, as the drive's
	// package has them, in hexadecimal digits: a pass has changed them. "" where it
	// has its own.
	Restore string `json:"restore,omitempty"`
}

// Name is how people call the drive: vendor, model and serial, or its node.
func (d Drive) Name() string {
	if name := strings.Join(strings.Fields(d.Vendor+" "+d.Model+" "+d.Serial), " "); name != "" {
		return name
	}
	return d.Node
}

// Origin is where a merged pass came from.
type Origin struct {
	Case  string `json:"case"`            // the other case's id; of an image its path
	Pass  int    `json:"pass"`            // the pass of that case
	Round int    `json:"round"`           // the round of that case
	Drive string `json:"drive,omitempty"` // the drive that read it, as people call it

	// Treated is what opened that round there, in words; "" of round 0, and where it
	// was not told.
	Treated string `json:"treated,omitempty"`
}

// Pass is one run of reading, or one merge; its number is its index.
type Pass struct {
	Round    int        `json:"round"`
	Drive    int        `json:"drive"`        // -1 for a merge
	By       string     `json:"by,omitempty"` // who began it, as the user says it
	Started  time.Time  `json:"started"`
	Ended    time.Time  `json:"ended,omitzero"`
	How      string     `json:"how,omitempty"` // how it ended (the contract's word); "" while it runs, or after a kill
	Settings []Settings `json:"settings,omitempty"`
	Failed   int64      `json:"failed_reads"`     // read commands that failed
	Seconds  float64    `json:"seconds"`          // how long the drive worked
	Medium   string     `json:"medium,omitempty"` // what tells at its end whether the disc was changed since
	Origin   *Origin    `json:"origin,omitempty"`
	Silence  *Silence   `json:"silence,omitempty"` // in which it ended; nil: in none
}

// Silence is a request that the drive had not answered when the pass ended.
type Silence struct {
	Sectors sector.Range `json:"sectors"` // that were asked for, without what of them came
	Seconds float64      `json:"seconds"` // since the last answer about them
}

// clone is a copy that shares nothing that callers change.
func (p Pass) clone() Pass {
	p.Settings = slices.Clone(p.Settings)
	if p.Silence != nil {
		s := *p.Silence
		s.Seconds = number(s.Seconds)
		p.Silence = &s
	}
	if p.Origin != nil {
		o := *p.Origin
		p.Origin = &o
	}
	return p
}

// Conflict is a good sector for which another source has other data.
type Conflict struct {
	At        sector.LBA `json:"at"`
	Kept      uint32     `json:"kept"`  // CRC-32C of the data in the image
	Other     uint32     `json:"other"` // CRC-32C of the data that was not taken
	KeptPass  int        `json:"kept_pass"`
	OtherPass int        `json:"other_pass"` // the first pass that brought the other data
}
