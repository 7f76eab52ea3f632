package sim

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"

	"turnstone/device/sector"
	"turnstone/device/spiral"
)

// Scenario is a disc, what happens to it, and the drives that read it.
type Scenario struct {
	Name    string
	Path    string // of the file; "" where there is none
	Seed    uint64
	Sectors int64
	Drives  []DriveSpec
	Rounds  [][]Treatment // what was done to open each round

	tracks []Track // of a CD; nil for another disc
	shape  spiral.Shape
	medium spiral.Medium
	image  string // path of the disc's content; "" for noise
	raw    bool   // the image has whole raw sectors
	marks  []mark
	pieces int   // of all marks
	worn   int64 // scratches that were drawn
	hazes  []haze
	digest string // of the file
}

// DriveSpec is a drive as a scenario tells it.
type DriveSpec struct {
	Name         string
	Margin       float64 // share of the light below which a row fails
	Noise        float64 // standard deviation of what is seen of the light
	Servo        float64 // share of the light below which the servo goes blind
	MaxX         int     // fastest speed, in multiples of 1x
	Retries      uint8   // the drive's own read retry count
	LeastRetries uint8   // the least that it can be set to
	Partial      bool    // gives the leading good sectors of a failing block
	Stall        Stall

	gears *gears
}

// Stall is how a drive goes silent where it has lost the track.
type Stall struct {
	Chance        float64 // at each lost track
	LeastS, MostS float64 // how long nothing comes
	Needs         Cure    // what makes it answer again
	Returns       string  // name under which it comes back; "" where it stays
}

// Cure is what a drive that has stalled needs before it answers again.
type Cure string

// The cures. Waiting is enough where a scenario says nothing.
const (
	Waiting Cure = "wait"
	Reset   Cure = "reset"
	Reload  Cure = "reload"
)

// Treatment is one step of work on the surface.
type Treatment struct {
	Inner, Outer float64 // radii between which it was done, in mm
	Grit         int     // of the paper; 0 for polishing
	Strokes      int     // of sanding
	Seconds      float64 // of polishing
}

// String is the treatment as it is told to a case.
func (t Treatment) String() string {
	if t.Grit > 0 {
		return fmt.Sprintf("sand %d, %d strokes, %g-%g mm", t.Grit, t.Strokes, t.Inner, t.Outer)
	}
	return fmt.Sprintf("polish, %g s, %g-%g mm", t.Seconds, t.Inner, t.Outer)
}

// Load reads a scenario file. The image that it may name lies beside it.
func Load(path string) (*Scenario, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("scenario: %w", err)
	}
	if info.Size() > mostBytes {
		return nil, fmt.Errorf("scenario %s: %d bytes, above the limit of %d", path, info.Size(), mostBytes)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("scenario: %w", err)
	}
	s, err := Parse(text)
	if err != nil {
		return nil, fmt.Errorf("scenario %s: %w", path, err)
	}
	if s.Path, err = filepath.Abs(path); err != nil {
		return nil, fmt.Errorf("scenario: %w", err)
	}
	if s.image != "" && !filepath.IsAbs(s.image) {
		s.image = filepath.Join(filepath.Dir(s.Path), s.image)
	}
	return s, nil
}

// Parse reads a scenario. The error names line and key of what is wrong. A
// relative path of an image is one from the working folder.
func Parse(text []byte) (*Scenario, error) {
	v, err := parseJSON(text)
	if err != nil {
		return nil, err
	}
	f := &form{}
	s := f.scenario(v)
	if f.err != nil {
		return nil, f.err
	}
	if _, err := spiral.New(s.shape); err != nil {
		return nil, fmt.Errorf("line %d: disc: %w", v.lineOf("disc"), err)
	}
	sum := sha256.Sum256(text)
	s.digest = hex.EncodeToString(sum[:8])
	return s, nil
}

// lineOf is the line of a key's value.
func (v value) lineOf(key string) int {
	if i := slices.Index(v.keys, key); i >= 0 {
		return v.list[i].line
	}
	return v.line
}

// Drive is the number of the drive with a name; false where there is none.
func (s *Scenario) Drive(name string) (int, bool) {
	i := slices.IndexFunc(s.Drives, func(d DriveSpec) bool { return d.Name == name })
	return i, i >= 0
}

// node is the scenario's part of its drives' nodes.
func (s *Scenario) node() string {
	if s.Path == "" {
		return "scenario " + s.Name
	}
	return s.Path
}

// Blocks is the number of ECC blocks.
func (s *Scenario) Blocks() int64 { return s.Sectors / s.block() }

// edge is the radius of a disc of 120 mm (ECMA-267 clause 10).
const edge = 60.0

// A DVD's ECC block (ECMA-267 clause 20 [memory]): 16 sectors, recorded as 16
// frames of 13 rows each, of which 12 come from the frame's own data and one is
// outer parity.
const (
	blockSectors = 16
	frameRows    = 13
	blockRows    = blockSectors * frameRows
	outerRows    = 16 // rows of outer parity: as many erased rows come back
)

// block is the sectors of a block.
func block(b int64) sector.Range {
	return sector.Span(sector.LBA(b*blockSectors), blockSectors)
}

// mark is one scratch, arc or blot.
type mark struct {
	width  float64 // mm
	depth  float64 // µm
	blot   bool    // lets no light through while anything of its pit is left
	hole   bool    // in the layer itself: sharp, and there for ever
	pieces []piece
}

// piece is a straight piece of a mark, an arc around the spindle (r above 0), or
// a point (len 0).
type piece struct {
	x, y   float64 // its start
	dx, dy float64 // from there to its end
	scale  float64 // 1/(dx² + dy²); 0 for a point
	r      float64 // radius of an arc
	from   float64 // angle at which an arc starts, in turns from 0 to 1
	span   float64 // turns of an arc
}

// straight is the piece from one point to another.
func straight(a, b [2]float64) piece {
	p := piece{x: a[0], y: a[1], dx: b[0] - a[0], dy: b[1] - a[1]}
	if l := float64(p.dx*p.dx) + float64(p.dy*p.dy); l > 1e-12 {
		p.scale = 1 / l
	} else {
		p.dx, p.dy = 0, 0
	}
	return p
}

// arc is an arc around the spindle, of angles in turns.
func arc(r, from, to float64) piece {
	f0, f1 := from-math.Floor(from), to-math.Floor(to)
	sin, cos := sincos(f0)
	p := piece{x: r * cos, y: r * sin, r: r, from: f0, span: to - from}
	sin, cos = sincos(f1)
	p.dx, p.dy = float64(r*cos)-p.x, float64(r*sin)-p.y
	return p
}

// haze is a ring, or a sector of one, that dims the light.
type haze struct {
	inner, outer float64 // mm
	from, span   float64 // turns
	density      float64
	edge         float64 // mm inside both radii over which it grows
}
