package bench

import (
	"time"

	"turnstone/imager"
	"turnstone/mapfile"
)

// case_ is what the painter knows of a case. It is guarded by the case's mutex.
type case_ struct {
	sessions []session // that are not over, the one that reads first
	drive    string    // the node that it was read with last
	ended    *ending   // of the last run of this server; nil: none, or something was done since
	lines    []line    // of runs that are over, and of the map before
	tone     tone
	reviving bool // the tone for it has sounded
	question int  // the last one that a tone has sounded for
	proving  bool
	proof    *proof // nil: none was made, or something was done since

	stamp string // of the checkpoint that is shown
	known bool   // st is of the case
	st    imager.Status

	next string // what is advised first

	detail detail
	tally  tally
}

// session is a run that was started on a page.
type session struct {
	run  *imager.Run
	desk *desk
}

// ending is how a run of this server ended.
type ending struct {
	how     string // as imager says it; "" where no pass began
	trouble string // why it failed; "" where it did not
	said    string // half a sentence
}

// tone is what pages sound: another N means once more.
type tone struct {
	Kind string `json:"kind"` // "stalled", "done" or "come"
	N    int    `json:"n"`
}

// sound asks for a tone.
func (c *case_) sound(kind string) { c.tone = tone{kind, c.tone.N + 1} }

// row is a case among the others: the key is job/ID.
type row struct {
	Job      string    `json:"job"`
	State    string    `json:"state"` // reading, opening, waiting, question, proving, elsewhere, resting, treated, done, cracked, discarded, unread
	Line     bigLine   `json:"line"`
	Good     int64     `json:"good"`
	All      int64     `json:"all"` // sectors of the written area, or of what is wanted
	Missing  int64     `json:"missing"`
	Failed   int64     `json:"failed"` // reads that failed in the pass that runs
	MM       float64   `json:"mm"`     // where the drive reads; 0: not known
	Sentence string    `json:"sentence,omitempty"`
	Drive    string    `json:"drive,omitempty"`  // ID of the one that reads, or did
	Kind     string    `json:"kind"`             // of the disc
	Round    int       `json:"round"`            // the last
	Whole    string    `json:"whole,omitempty"`  // how many films or files are; "" until it was counted
	Last     string    `json:"last,omitempty"`   // round, and what opened it
	Locked   bool      `json:"locked,omitempty"` // by another process: it is only shown
	Proved   bool      `json:"proved,omitempty"` // the page has proved the image, and nothing was done since
	Waiting  string    `json:"waiting,omitempty"`
	Question *question `json:"question,omitempty"`
	Tone     tone      `json:"tone"`
}

// bigLine is what is read from across the room.
type bigLine struct {
	Now  string `json:"now"`
	Far  string `json:"far"`
	Next string `json:"next"`
}

// paint brings all that pages are told up to date.
func (b *Bench) paint() {
	cases := b.shelf.look()
	ids := make([]string, len(cases))
	known := map[string]bool{}
	for i, c := range cases {
		ids[i] = c.id
		known[c.id] = true
		b.paintCase(c)
	}
	b.ledger.put("jobs", ids)
	b.ledger.put("next", b.shelf.next())
	for _, id := range b.rows() {
		if !known[id] {
			b.ledger.drop("job/" + id)
			b.ledger.drop("case/" + id + "/")
		}
	}
}

// rows is the IDs of the cases that pages were told of.
func (b *Bench) rows() (ids []string) {
	p, _ := b.ledger.since("", "")
	for key := range p.Set {
		if len(key) > 4 && key[:4] == "job/" {
			ids = append(ids, key[4:])
		}
	}
	return ids
}

func (b *Bench) paintCase(c *shown) {
	c.mu.Lock()
	defer c.mu.Unlock()
	fresh := false
	if stamp := stampOf(c.dir); stamp != c.stamp || !c.known {
		if st, ok := snapshotOf(c.dir); ok {
			c.st, c.known, fresh = st, true, true
		} else if m, err := imager.Load(c.dir); err == nil { // of no checkpoint yet
			c.st, c.known, fresh = imager.StatusIn(c.dir, m), true, true
		}
		c.stamp = stamp
	}
	if b.watchedCase(c.id) {
		b.paintDetail(c, fresh)
	}
	if b.watchedCase("") {
		b.paintTally(c)
	}
	b.ledger.put("job/"+c.id, b.rowOf(c))
}

// rowOf is a case's row. Its mutex is held.
func (b *Bench) rowOf(c *shown) row {
	r := row{Job: c.job, Kind: c.st.Disc.Kind, Round: max(0, len(c.st.Rounds)-1), Missing: c.missing()}
	r.Good, r.All = c.st.Wants()
	good, all := c.st.FormTwo.Wants() // which lie beside the image
	r.Good, r.All = r.Good+good, r.All+all
	r.Whole, r.Proved = c.tally.whole, c.proof != nil && c.proof.holds
	if n := len(c.st.Rounds); n > 0 {
		r.Last = b.Counsel.Round(c.st.Rounds[n-1])
	}
	if c.drive != "" {
		r.Drive = idOf(c.drive)
	}
	switch {
	case len(c.sessions) > 0:
		b.atWork(c, &r)
	case c.proving:
		r.State = "proving"
		r.Line = bigLine{Now: "Proving the image", Far: b.Speech.Far(r.Good, r.All), Next: "Next: nothing to do. It ends by itself."}
	default:
		user, err := imager.UserOf(c.dir)
		r.Locked = err == nil && user != nil
		b.atRest(c, &r)
	}
	r.Tone = c.tone
	return r
}

// missing is how many sectors are, of the image and of what lies beside it.
func (c *case_) missing() int64 { return c.st.Missing() + c.st.FormTwo.Missing() }

// atWork fills in what runs.
func (b *Bench) atWork(c *shown, r *row) {
	s := c.sessions[0]
	p, t, disc, _, q := s.desk.now()
	if len(c.sessions) > 1 {
		r.Waiting = "Another drive waits until this pass is over."
	}
	switch s.run.Stage() {
	case imager.Waiting:
		r.State, r.Line = "waiting", bigLine{Now: "Waiting for the pass before it"}
		return
	case imager.Opening, imager.Over:
		r.State, r.Line = "opening", bigLine{Now: "The drive looks at the disc", Far: b.Speech.Far(r.Good, r.All), Next: "It begins by itself."}
	default:
		r.State = "reading"
		r.Good, r.All, r.Missing, r.Failed, r.Sentence = p.Good, p.Sectors, p.Missing, p.Failed, t.Sentence
		if p.Choosy { // what is wanted is what counts
			r.Missing = p.Wanted
			r.All = c.wantedSectors(p)
			r.Good = r.All - p.Wanted
		}
		r.Round = p.Round
		if mm, ok := imager.RadiusOf(disc, p.At.First); ok && !p.At.Empty() {
			r.MM = float64(int(mm*10+0.5)) / 10
		}
		r.Line = reading(p, t, r.MM)
		r.Line.Far = b.Speech.Far(r.Good, r.All)
	}
	if p.Reviving != "" && !c.reviving {
		c.sound("stalled")
	}
	c.reviving = p.Reviving != ""
	if q != nil {
		r.State, r.Question = "question", q
		r.Line = bigLine{Now: "The drive does not answer, and the disc is fragile", Far: r.Line.Far, Next: "Next: your answer."}
		if q.N != c.question {
			c.question = q.N
			c.sound("come")
		}
	}
}

// wantedSectors is how many sectors are wanted of a pass that knows how many of them
// are missing.
func (c *case_) wantedSectors(p imager.Progress) int64 {
	if c.st.Wanted != nil {
		return max(c.st.Wanted.Sectors, p.Wanted)
	}
	return p.Sectors
}

// begin starts a run on a case, with a drive.
func (b *Bench) begin(c *shown, node string, r imager.Reading) error {
	d := newDesk(b.Speech, c.dir)
	r.Allow = d.allow
	c.mu.Lock()
	defer c.mu.Unlock()
	run, err := b.Runs.Start(b.ctx, node, imager.Job{Dir: c.dir, Open: b.opener(node), Reading: r}, d)
	if err != nil {
		return err
	}
	c.sessions = append(c.sessions, session{run, d})
	c.drive, c.ended, c.proof = node, nil, nil
	go func() {
		out, err := run.Wait()
		b.over(c, run, out, err)
	}()
	b.soon()
	return nil
}

// over takes a run that is over off a case.
func (b *Bench) over(c *shown, run *imager.Run, out imager.Outcome, err error) {
	c.mu.Lock()
	for i, s := range c.sessions {
		if s.run != run {
			continue
		}
		_, _, _, lines, _ := s.desk.now()
		for _, l := range lines {
			c.lines = appendLine(c.lines, l)
		}
		c.sessions = append(c.sessions[:i:i], c.sessions[i+1:]...)
	}
	e := &ending{how: out.How, said: out.Why}
	missing := c.missing()
	if out.Map != nil {
		c.st, c.known = imager.StatusIn(c.dir, out.Map), true
		missing = c.missing()
	}
	e.trouble = nodeless(pathless(troubleOf(b.Speech, err), c.dir), run.Drive)
	if e.said != "" {
		c.lines = appendLine(c.lines, line{lastOf(out.Map), "The pass ended: " + nodeless(pathless(e.said, c.dir), run.Drive) + "."})
	}
	c.ended, c.proof = e, nil
	switch {
	case e.trouble != "" || out.Failed():
		c.sound("stalled")
	case missing == 0:
		c.sound("done")
	default:
		c.sound("come")
	}
	c.mu.Unlock()
	b.soon()
}

// lastOf is when something was last noted in a map; zero where there is none.
func lastOf(m *mapfile.Map) time.Time {
	if m == nil {
		return time.Time{}
	}
	return imager.LastEntry(m)
}
