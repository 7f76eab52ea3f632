package bench

import (
	"bytes"
	"crypto/sha256"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"time"

	"turnstone/imager"
	"turnstone/mapfile"
	"turnstone/mapfile/chart"
)

// detail is what is shown of a case that somebody looks at. It is worked out anew when
// a checkpoint has changed the case on the disk, and not at once: a reader should not
// feel that it is looked at, so each time is followed by a pause of many times as long.
type detail struct {
	stamp   string
	chart   effort          // the map and what is told of it
	m       *mapfile.Map    // that is drawn; nil: nothing was worked out yet
	surface *imager.Surface // as it shows in m; nil: its geometry is not known
	working bool            // on a newer one
	files   []listed
	play    effort // files, and films with the play time that they lack
	list    int    // counts listings: a number of a file means one of this
	older   bool

	pictures map[picture][]byte // of the damage map of m, as they were asked for
}

// picture is which picture of a damage map, and how it is seen.
type picture struct {
	sheet string
	turn  int // degrees
	side  chart.Side
}

// mostPictures bounds how many are kept.
const mostPictures = 24

// effort is when something was worked out, and how long that took.
type effort struct {
	at   time.Time
	took time.Duration
}

// due tells whether it may be worked out anew while a pass runs.
func (e effort) due() bool { return time.Since(e.at) >= min(rest*e.took, longest) }

// spend works something out.
func (e *effort) spend(do func()) {
	began := time.Now()
	do()
	e.at = time.Now()
	e.took = e.at.Sub(began)
}

// rest is how many times as long as it took the painter leaves a case alone: the cost
// to whoever reads is at most 1 in so many of one processor.
const rest = 100

// longest is how old what is shown of a pass that runs may be, on a busy machine.
const longest = 5 * time.Minute

// paintDetail is called with the case's mutex held.
func (b *Bench) paintDetail(c *shown, fresh bool) {
	b.paintLines(c)
	d := &c.detail
	switch {
	case d.m != nil && d.stamp == c.stamp && !fresh:
		return
	case d.m != nil && len(c.sessions) > 0 && !d.chart.due():
		return
	case d.working:
		return
	}
	m := b.workOut(c)
	if m == nil {
		return
	}
	d.stamp, d.working = c.stamp, true
	go b.workOutMap(c, m, len(c.sessions) == 0 || d.play.due())
}

// workOutMap makes what takes the time, while the painter goes on: the damage map, and,
// where they are wanted, files and films. Nobody else may use the map meanwhile.
func (b *Bench) workOutMap(c *shown, m *mapfile.Map, withFiles bool) {
	var surface *imager.Surface
	var found []listed
	var choosy, known bool
	var chartTook, playTook effort
	idly(func() {
		chartTook.spend(func() { surface = imager.SurfaceOf(m, len(m.Rounds())-1) })
		if !withFiles {
			return
		}
		playTook.spend(func() {
			if files, err := imager.OpenFiles(c.dir); err == nil { // a case that is discarded has none
				found, choosy, known = listFiles(files, b.Counsel), files.Choosy(), true
				files.Close()
			}
		})
	})
	c.mu.Lock()
	defer c.mu.Unlock()
	d := &c.detail
	d.working = false
	d.m, d.surface, d.chart = m, surface, chartTook
	b.ledger.put("case/"+c.id+"/map", d.mapOf(c.job))
	if !withFiles {
		return
	}
	d.play = playTook
	if !known {
		b.ledger.set("case/"+c.id+"/files", gone)
		return
	}
	d.files = found
	d.list++
	b.ledger.put("case/"+c.id+"/files", filesOf(found, choosy, d.list))
}

// idly does something when the machine has nothing better to do, such as to read: on a
// thread of its own, which ends with it.
func idly(do func()) {
	done := make(chan struct{})
	go func() {
		defer close(done)
		runtime.LockOSThread()                               // never unlocked: the thread is not used again
		_ = syscall.Setpriority(syscall.PRIO_PROCESS, 0, 19) // on Linux of this thread (setpriority(2), BUGS)
		do()
	}()
	<-done
}

// workOut makes a case's entries from its map, and returns that; nil where it can't be
// read.
func (b *Bench) workOut(c *shown) *mapfile.Map {
	key := "case/" + c.id + "/"
	m, err := imager.Load(c.dir)
	if err != nil {
		b.ledger.put(key+"trouble", pathless(b.Speech.Trouble(err), c.dir))
		return nil
	}
	look := imager.LookAt(m)
	st := look.StatusIn(c.dir)
	if len(c.sessions) == 0 {
		c.st, c.known = st, true
	}
	b.ledger.put(key+"trouble", "")
	b.ledger.put(key+"standing", standingOf(st, b.Counsel))
	b.ledger.put(key+"rounds", roundsOf(st))
	advice := look.Advise()
	c.advised(advice)
	b.ledger.put(key+"advice", b.adviceRows(advice, st))
	return m
}

// paintLines shows the last that happened.
func (b *Bench) paintLines(c *shown) {
	if !c.detail.older { // what the case has from before this server
		c.detail.older = true
		var all []line
		mapfile.Events(filepath.Join(c.dir, "map.db"), func(e mapfile.Event) bool {
			if text := b.Speech.Event(nameless(e)); text != "" {
				all = appendLine(all, line{e.Time, pathless(text, c.dir)})
			}
			return true
		})
		c.lines = append(all, c.lines...)
	}
	all := slices.Clone(c.lines)
	for _, s := range c.sessions {
		_, _, _, lines, _ := s.desk.now()
		all = append(all, lines...)
	}
	all = all[max(0, len(all)-mostLines):]
	slices.Reverse(all)
	b.ledger.put("case/"+c.id+"/events", append([]line{}, all...))
}

// standingRow is where a case stands.
type standingRow struct {
	Good      int64  `json:"good"`
	Failed    int64  `json:"failed"`    // missing, failed on this surface
	NotSince  int64  `json:"not_since"` // missing, not asked since the last treatment
	NotYet    int64  `json:"not_yet"`
	Conflicts int64  `json:"conflicts"`
	Text      string `json:"text"`
	Seen      string `json:"seen,omitempty"`
}

func standingOf(st imager.Status, c Counsel) standingRow {
	untried := st.Untried
	if st.Wanted != nil {
		untried = st.Wanted.Untried
	}
	notYet := min(untried, st.OpenHere)
	r := standingRow{Good: st.Good, Failed: st.FailedHere, NotYet: notYet, NotSince: st.Missing() - st.FailedHere - notYet,
		Conflicts: st.Conflicts, Text: strings.TrimSpace(c.Standing(st))}
	if st.Seen != nil {
		r.Seen = imager.SeenInWords(mapfile.Seen{Crack: st.Seen.Crack, Fragile: st.Seen.Fragile, Label: st.Seen.Label, SizeCM: st.Seen.SizeCM})
	}
	return r
}

// roundRow is a round on the page.
type roundRow struct {
	Round  int       `json:"round"`
	What   string    `json:"what"`
	Won    int64     `json:"won"`
	Passes []passRow `json:"passes"`
}

type passRow struct {
	Pass    int     `json:"pass"`
	Drive   string  `json:"drive"`
	Won     int64   `json:"won"`
	Failed  int64   `json:"failed"`
	Seconds float64 `json:"seconds"`
	Ended   string  `json:"ended"`
}

func roundsOf(st imager.Status) []roundRow {
	all := []roundRow{}
	for _, r := range st.Rounds {
		row := roundRow{Round: r.Round, What: strings.Join(r.Treatments, "; "), Won: r.Won, Passes: []passRow{}}
		if r.Round == 0 {
			row.What = "the disc as it came in"
		}
		for _, p := range r.Passes {
			drive, ended := p.Drive, endedWords[p.Ended]
			if p.Merged {
				drive = "another case" // its name may be a customer's
			}
			if p.Ended == "" {
				ended = "It runs, or was ended by force"
			}
			if strings.HasPrefix(drive, "/") { // a node or a file
				drive = filepath.Base(drive)
			}
			row.Passes = append(row.Passes, passRow{p.Pass, drive, p.Won, p.FailedReads, p.Seconds, ended})
		}
		all = append(all, row)
	}
	return all
}

// adviceRow is what to do next, with the cautions that belong to it.
type adviceRow struct {
	What     string   `json:"what"`
	Why      string   `json:"why"`
	Cautions []string `json:"cautions,omitempty"`
}

// mostAdvice is how many things to do are shown: the rest comes when these are done.
const mostAdvice = 3

func (b *Bench) adviceRows(advice []imager.Advice, st imager.Status) []adviceRow {
	rows := []adviceRow{}
	for _, a := range imager.First(advice, mostAdvice) {
		row := adviceRow{What: a.What, Why: a.Why}
		if _, typed, ok := strings.Cut(a.Do, "round CASE "); ok {
			if t, err := imager.ParseTreatment(strings.Trim(typed, `"`)); err == nil {
				row.Cautions = b.Counsel.Cautions(mapfile.Round{Treatments: []mapfile.Treatment{t}}, st)
			}
		}
		rows = append(rows, row)
	}
	return rows
}

// mapRow is which pictures of the damage map there are, and what they show for those
// who don't see them. Version tells one state of it from the next.
type mapRow struct {
	Version string     `json:"version"`
	Sheets  []sheetRow `json:"sheets"`
	Text    string     `json:"text"`
}

type sheetRow struct {
	Name  string `json:"name"`
	Title string `json:"title"`
}

// mapOf draws the damage map anew, as it is seen at first.
func (d *detail) mapOf(title string) mapRow {
	d.pictures = map[picture][]byte{}
	p, err := d.draw(title, 0, chart.Reading)
	if err != nil {
		return mapRow{Text: err.Error(), Sheets: []sheetRow{}}
	}
	var text bytes.Buffer
	p.Text(&text, chart.Style{Width: 64}) // into memory: it does not fail
	r := mapRow{Text: text.String(), Sheets: []sheetRow{}}
	sum := sha256.New()
	for _, s := range p.Sheets() {
		r.Sheets = append(r.Sheets, sheetRow{s.Name, s.Title})
		sum.Write(d.pictures[picture{sheet: s.Name}])
	}
	r.Version = idOf(string(sum.Sum(nil)))
	return r
}

// draw draws all pictures of the damage map as they are seen from a side, turned by
// degrees.
func (d *detail) draw(title string, turn int, side chart.Side) (*chart.Picture, error) {
	p, err := imager.DamageMapOn(d.m, d.surface, chart.View{Title: title, Round: chart.Latest, Layer: chart.AllLayers, Turn: float64(turn), Side: side})
	if err != nil {
		return nil, err
	}
	if len(d.pictures) >= mostPictures {
		clear(d.pictures)
	}
	for _, s := range p.Sheets() {
		var out bytes.Buffer
		if err := s.SVG(&out); err != nil {
			return nil, err
		}
		d.pictures[picture{s.Name, turn, side}] = out.Bytes()
	}
	return p, nil
}
