package bench

import (
	"context"
	"io"

	"turnstone/device"
	"turnstone/imager"
	"turnstone/mapfile"
)

// Speech is how the program says things; the command line says them alike.
type Speech interface {
	// Passing says where a pass stands, of the moments that it is told, in order.
	Passing() func(imager.Progress) Telling
	// Event is an event in a line; "" for one that is not told singly.
	Event(e mapfile.Event) string
	// Far is how far a number of sectors is, of all.
	Far(good, all int64) string
	// Trouble is an error, and what can be done about it.
	Trouble(err error) string
}

// Telling is a pass at a moment.
type Telling struct {
	Sentence string // all of it
	Rate     string // what came lately; "" where nothing did
	Left     string // how long it will take; "" where that is not known
}

// Counsel is what the program says of a case, and of what is done to a disc.
type Counsel interface {
	// Standing is where a case stands, in lines.
	Standing(st imager.Status) string
	// Film is how long a film is and what it lacks, in play time.
	Film(x imager.Film) string
	// Whole is how many films or files of a case are whole.
	Whole(l imager.Listed) string
	// Proved is what a deep check found, whose rotten sectors were taken back.
	Proved(r imager.CheckResult) string
	// Round is a round and what opened it, in short.
	Round(r imager.RoundStatus) string
	// Cautions are those that fit a round's treatments, and the disc.
	Cautions(r mapfile.Round, st imager.Status) []string
	// Doubt is the question before what can't be undone; "" where there is none.
	Doubt(r mapfile.Round, st imager.Status) string
}

// Reports writes the pages and figures that leave the house, of the case in a folder.
type Reports interface {
	Customer(w io.Writer, dir string) error
	Bench(w io.Writer, dir string) error
	Hours(w io.Writer, dir string) error
}

// Drives is the drives at the bench.
type Drives interface {
	// Look says which there are and whether a disc lies in them. Those of which busy
	// says so are not touched.
	Look(ctx context.Context, busy func(node string) bool) []Drive
	// Open opens one of them for a case.
	Open(ctx context.Context, node string, k imager.Known) (device.Reader, error)
}

// Drive is a drive at the bench.
type Drive struct {
	Node    string
	Name    string // vendor, model and serial, or the node
	Disc    string // tells one loading of a disc from the next; "" where none lies in it
	Problem string // why it can't be read, and what can be done; "" where it can
	Pretend bool   // it is simulated: it always holds its disc
}
