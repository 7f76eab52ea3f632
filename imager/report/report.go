package report

import (
	"encoding/json"
	"io"
	"time"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

// Source is what a report is made of, beside the case itself.
type Source struct {
	Dir        string    // the case's folder
	Name       string    // what the case is called on the pages
	Program    string    // this program and its version
	Now        time.Time // its location is the zone in which the pages tell times
	Letterhead Letterhead
	Films      Films   // may be nil: then files are told by their size
	Watched    []Watch // what somebody has watched
}

// Watch is that somebody has watched a file, or the case's films.
type Watch struct {
	Path string    `json:"path"` // on the disc; "" for all
	By   string    `json:"by"`
	At   time.Time `json:"at"`
	Well bool      `json:"plays_well"`
}

// Report is what a case tells: the document of report --json.
type Report struct {
	Made    time.Time     `json:"made"`
	Program string        `json:"program"`
	Name    string        `json:"name"`
	Case    string        `json:"case"`    // its id
	Running bool          `json:"running"` // a pass reads or writes meanwhile
	Clean   bool          `json:"filled_with_zeros"`
	Closing *ClosingFacts `json:"closing"` // null while the case is open

	Letterhead Letterhead `json:"letterhead"`

	Disc     DiscFacts             `json:"disc"`
	Standing Standing              `json:"standing"`
	Wanted   *WantedFacts          `json:"wanted"` // null where everything is wanted
	FormTwo  *imager.FormTwoStatus `json:"form2"`  // sectors of 2,324 bytes, beside the image; null where there are none
	Drives   []DriveFacts          `json:"drives"`
	Rounds   []Round               `json:"rounds"`
	Passes   []Pass                `json:"passes"`
	Errors   []ErrorKind           `json:"errors"`  // of read commands, by what came back
	Missing  []Hole                `json:"missing"` // every sector that is missing, in order of address
	Files    *FilesFacts           `json:"files"`   // null where nothing is known of any, or the data is deleted
	Sums     Sums                  `json:"sums"`
	Watched  []Watch               `json:"watched"`
	Events   []EventFacts          `json:"events"`
	m        *mapfile.Map          // for the pictures
	zone     *time.Location
}

// ClosingFacts is how the case was ended.
type ClosingFacts struct {
	State     string    `json:"state"`
	At        time.Time `json:"at"`
	By        string    `json:"by"`
	KeepUntil string    `json:"keep_until"`
}

// Gone tells whether the customer's data is deleted, or was begun to be.
func (c *ClosingFacts) Gone() bool { return c != nil && c.State != mapfile.Closed }

// DiscFacts is what is known of the disc.
type DiscFacts struct {
	Kind         string            `json:"kind"`
	Sectors      int64             `json:"sectors"`
	BlockSectors int64             `json:"block_sectors"`
	Written      int64             `json:"written"`
	Layers       []int64           `json:"layers"`
	Identity     map[string]string `json:"identity"`
	Seen         *mapfile.Seen     `json:"seen"`
}

// Standing is how many sectors of the written area are where. Good, Failed and what is
// not tried together are all of them.
type Standing struct {
	Written   int64 `json:"written"`
	Good      int64 `json:"good"`
	Failed    int64 `json:"could_not_be_read"`
	NotSince  int64 `json:"not_tried_since_treatment"`
	NotAsked  int64 `json:"never_asked"`
	Conflicts int64 `json:"conflicts"`
	Repaired  int64 `json:"put_together"` // of the good ones, from raw readings
}

// Missing is how many sectors are not in the image.
func (s Standing) Missing() int64 { return s.Written - s.Good }

// NotTried is how many were not tried further.
func (s Standing) NotTried() int64 { return s.NotSince + s.NotAsked }

// WantedFacts is what the customer asked for.
type WantedFacts struct {
	Names   []string `json:"names"`
	Sectors int64    `json:"sectors"`
	Good    int64    `json:"good"`
	Rest    int64    `json:"missing_and_not_asked_for"` // sectors of the rest of the disc
}

// DriveFacts is a drive that took part.
type DriveFacts struct {
	Drive   int     `json:"drive"`
	Name    string  `json:"name"`
	Serial  string  `json:"serial"`
	Node    string  `json:"node"`
	Port    string  `json:"port"`
	Passes  int     `json:"passes"`
	Seconds float64 `json:"seconds"` // that it worked on the disc
	Won     int64   `json:"won"`
}

// Round is one state of the disc's surface.
type Round struct {
	Round       int                 `json:"round"`
	Opened      time.Time           `json:"opened"`
	Treatments  []mapfile.Treatment `json:"treatments"`
	By          string              `json:"by"`
	Note        string              `json:"note"`
	Grams       float64             `json:"grams"`
	ThicknessMM float64             `json:"thickness_mm"`
	Won         int64               `json:"won"`
	Passes      int                 `json:"passes"`        // with a drive
	Merges      int                 `json:"merges"`        // from other cases and images
	Drive       float64             `json:"drive_seconds"` // that drives worked
	Bench       float64             `json:"bench_seconds"` // of treatments, as far as it was noted
	Noted       bool                `json:"bench_noted"`   // of each treatment that takes time it was
}

// Pass is one run of reading, or one merge.
type Pass struct {
	Pass     int            `json:"pass"`
	Round    int            `json:"round"`
	Drive    string         `json:"drive"` // or where it came from
	Merged   bool           `json:"merged"`
	By       string         `json:"by,omitempty"` // who began it
	Started  time.Time      `json:"started"`
	Ended    time.Time      `json:"ended,omitzero"`
	How      string         `json:"how"`
	Seconds  float64        `json:"seconds"`
	Won      int64          `json:"won"`
	Asked    int64          `json:"asked"`        // sectors, each once
	Weak     int64          `json:"weak"`         // sectors that came with more work than usual
	Repaired int64          `json:"put_together"` // of those won, from raw readings
	Failed   int64          `json:"failed_reads"`
	Settings []SettingFacts `json:"settings"`
}

// SettingFacts is what a pass asked for by one choice of the drive's settings.
type SettingFacts struct {
	ReadRetryCount *uint8 `json:"read_retry_count"` // null: the drive's own
	SpeedKBps      int    `json:"speed_kbps"`       // 0: the drive's own
	Asked          int64  `json:"asked"`            // sectors
	Came           int64  `json:"came"`
}

// ErrorKind is what came back from read commands that failed.
type ErrorKind struct {
	What     string    `json:"what"`
	Commands int64     `json:"commands"`
	First    time.Time `json:"first"`
	Last     time.Time `json:"last"`
	Passes   []int     `json:"passes"`
}

// States of what is missing.
const (
	CouldNot = "could not be read"
	NotSince = "not tried since the last treatment"
	NotAsked = "never asked for"
)

// Hole is a run of missing sectors that fared alike.
type Hole struct {
	Sectors  sector.Range `json:"sectors"`
	State    string       `json:"state"`
	Kind     string       `json:"kind"`    // what the last pass that asked for it met; "" where none did
	Pass     int          `json:"pass"`    // that pass; -1
	FromMM   float64      `json:"from_mm"` // radius; 0 where it is not known
	ToMM     float64      `json:"to_mm"`
	Attempts int          `json:"attempts"` // of that pass
}

// Sums is what proves the copies.
type Sums struct {
	Image  string `json:"image_sha256"` // of image.iso; "" where none is kept
	Why    string `json:"image_why_not"`
	Files  int    `json:"files"`  // files of which a sum is kept
	Listed bool   `json:"listed"` // there is a list of them
}

// EventFacts is something that happened.
type EventFacts struct {
	Time    time.Time    `json:"time"`
	Pass    int          `json:"pass"`
	Kind    string       `json:"kind"`
	Sectors sector.Range `json:"sectors"`
	Count   int          `json:"count"`
	Seconds float64      `json:"seconds"`
	Text    string       `json:"text"`
}

// JSON writes the report as one document, which report.schema.json describes. The
// writer's error is returned.
func (r *Report) JSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(r)
}

// list is a list for the document: an empty one is none, not null.
func list[T any](all []T) []T {
	if all == nil {
		return []T{}
	}
	return all
}
