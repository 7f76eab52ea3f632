package report

import (
	"errors"
	"slices"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

// Of makes the report of a case. It only reads, and a pass may run meanwhile.
// imager.ErrNoCase, imager.ErrImage and the errors of mapfile.Open are returned when the
// case can't be read.
func Of(s Source) (*Report, error) {
	m, err := imager.Load(s.Dir)
	if err != nil {
		return nil, err
	}
	r := &Report{
		Made: s.Now, Program: s.Program, Name: s.Name, Case: m.CaseID(), Letterhead: s.Letterhead, Watched: slices.Clone(s.Watched),
		m: m, zone: s.Now.Location(),
	}
	user, err := imager.UserOf(s.Dir)
	if err != nil {
		return nil, err
	}
	r.Running = user != nil
	if c := m.Closing(); c.State != "" {
		r.Closing = &ClosingFacts{c.State, c.At, c.By, c.KeepUntil}
	}
	r.disc(m)
	var failed sector.Set
	r.Missing, failed = holesOf(m)
	r.Standing = standingOf(m, r.Missing)
	r.wanted(m)
	r.FormTwo = imager.FormTwoOf(s.Dir, m)
	r.work(m)
	if err := r.log(s.Dir); err != nil {
		return nil, err
	}
	if !r.Closing.Gone() {
		if r.Files, err = filesOf(s, &failed); err != nil {
			return nil, err
		}
	}
	r.Drives, r.Rounds, r.Passes, r.Errors = list(r.Drives), list(r.Rounds), list(r.Passes), list(r.Errors)
	r.Missing, r.Watched, r.Events = list(r.Missing), list(r.Watched), list(r.Events)
	r.Letterhead.Address, r.Letterhead.Note = list(r.Letterhead.Address), list(r.Letterhead.Note)
	return r, r.sums(s.Dir)
}

func (r *Report) disc(m *mapfile.Map) {
	d := m.Disc()
	r.Disc = DiscFacts{Kind: d.Kind, Sectors: d.Sectors, BlockSectors: d.BlockSectors, Written: d.Written.Count(),
		Layers: list(d.Layers), Identity: d.Identity, Seen: d.Seen}
	if d.Identity == nil {
		r.Disc.Identity = map[string]string{}
	}
}

func (r *Report) wanted(m *mapfile.Map) {
	if w := imager.StatusOf(m).Wanted; w != nil {
		r.Wanted = &WantedFacts{Names: list(w.Names), Sectors: w.Sectors, Good: w.Good, Rest: w.NotAskedFor}
	}
}

// work is what drives and hands did.
func (r *Report) work(m *mapfile.Map) {
	for n, d := range m.Drives() {
		r.Drives = append(r.Drives, DriveFacts{Drive: n, Name: d.Name(), Serial: d.Serial, Node: d.Node, Port: d.Port})
	}
	for n, round := range m.Rounds() {
		x := Round{Round: n, Opened: round.Opened, Treatments: list(round.Treatments), By: round.By, Note: round.Note,
			Grams: round.Grams, ThicknessMM: round.ThicknessMM, Noted: true}
		for _, t := range round.Treatments {
			x.Bench += t.Seconds
			x.Noted = x.Noted && t.Seconds > 0
		}
		r.Rounds = append(r.Rounds, x)
	}
	r.Clean = true
	for n, p := range m.Passes() {
		x := passOf(m, n, p)
		r.Passes = append(r.Passes, x)
		round := &r.Rounds[p.Round]
		round.Won += x.Won
		r.Standing.Repaired += x.Repaired
		r.Clean = r.Clean && p.How != ""
		if p.Drive < 0 {
			round.Merges++
			continue
		}
		round.Passes++
		round.Drive += p.Seconds
		d := &r.Drives[p.Drive]
		d.Passes, d.Seconds, d.Won = d.Passes+1, d.Seconds+p.Seconds, d.Won+x.Won
	}
}

func passOf(m *mapfile.Map, n int, p mapfile.Pass) Pass {
	x := Pass{Pass: n, Round: p.Round, Merged: p.Drive < 0, By: p.By, Started: p.Started, Ended: p.Ended, How: p.How,
		Seconds: p.Seconds, Won: m.Won(n), Failed: p.Failed}
	switch {
	case p.Drive >= 0:
		x.Drive = m.Drives()[p.Drive].Name()
	case p.Origin != nil:
		x.Drive = imager.OriginName(*p.Origin)
	}
	x.Repaired, _ = m.Repaired(n)
	by := make([]SettingFacts, max(1, len(p.Settings)))
	for i, s := range p.Settings {
		by[i].ReadRetryCount, by[i].SpeedKBps = s.Retries, s.SpeedKBps
	}
	for run := range m.Runs(n) {
		n := run.Range.Count()
		x.Asked += n
		b := &by[run.Settings]
		b.Asked += n
		if run.Result.Came() {
			b.Came += n
		}
		if run.Weak {
			x.Weak += n
		}
	}
	for _, b := range by {
		if b.Asked > 0 {
			x.Settings = append(x.Settings, b)
		}
	}
	x.Settings = list(x.Settings)
	return x
}

// log takes the events, and counts the errors of read commands by what came back.
func (r *Report) log(dir string) error {
	kinds := map[string]int{}
	err := imager.Events(dir, func(e mapfile.Event) bool {
		r.Events = append(r.Events, EventFacts{Time: e.Time, Pass: e.Pass, Kind: e.Kind, Sectors: e.Range,
			Count: max(1, e.Count), Seconds: e.Took.Seconds(), Text: e.Text})
		if e.Kind != imager.KindFailedRead {
			return true
		}
		what := whatCameBack(e.Text)
		i, known := kinds[what]
		if !known {
			i = len(r.Errors)
			kinds[what] = i
			r.Errors = append(r.Errors, ErrorKind{What: what, First: e.Time})
		}
		k := &r.Errors[i]
		k.Commands += int64(max(1, e.Count))
		k.Last = e.Time
		if len(k.Passes) == 0 || k.Passes[len(k.Passes)-1] != e.Pass {
			k.Passes = append(k.Passes, e.Pass)
		}
		return true
	})
	slices.SortStableFunc(r.Errors, func(a, b ErrorKind) int { return int(b.Commands - a.Commands) })
	return err
}

// sums is what sums are kept.
func (r *Report) sums(dir string) error {
	sum, err := imager.ReadImageSum(dir)
	switch {
	case errors.Is(err, imager.ErrNoSums):
		r.Sums.Why = "none is kept"
		if err.Error() != imager.ErrNoSums.Error() {
			r.Sums.Why = "the image was written to since the last one was made"
		}
	case err != nil:
		r.Sums.Why = err.Error()
	default:
		r.Sums.Image = hex(sum[:])
	}
	if r.Files != nil {
		r.Sums.Files, r.Sums.Listed = r.Files.withSum, r.Files.listed
	}
	return nil
}
