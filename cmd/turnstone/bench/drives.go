package bench

import (
	"context"
	"maps"
	"slices"

	"turnstone/device"
	"turnstone/imager"
)

// seenDrive is a drive as it was looked at.
type seenDrive struct {
	Drive
	id    string
	asked string      // the disc of which info is
	info  device.Info // what the drive says of the disc, without reading sectors
	fits  string      // what the cases were when they were compared with it
	like  map[string]imager.Likeness
}

// driveRow is a drive on the page.
type driveRow struct {
	ID      string   `json:"id"`
	Name    string   `json:"name"`
	Disc    bool     `json:"disc"`
	Loading string   `json:"loading,omitempty"` // tells one loading from the next
	Problem string   `json:"problem,omitempty"`
	Pretend bool     `json:"pretend,omitempty"`
	Job     string   `json:"job,omitempty"`  // ID of the case that it reads for
	Same    []string `json:"same,omitempty"` // IDs of the cases that the disc is of
	Like    []string `json:"like,omitempty"` // IDs of those that it may be of
}

// lookAtDrives looks which drives there are, and whose disc lies in them.
func (b *Bench) lookAtDrives(ctx context.Context) {
	busy := func(node string) bool { return b.Runs.With(node) != nil || b.readElsewhere(node) }
	b.mu.Lock()
	was := slices.Clone(b.seen)
	b.mu.Unlock()
	var now []seenDrive
	for _, d := range b.Drives.Look(ctx, busy) {
		s := seenDrive{Drive: d, id: idOf(d.Node)}
		if i := slices.IndexFunc(was, func(o seenDrive) bool { return o.Node == d.Node }); i >= 0 {
			o := was[i]
			s.asked, s.info, s.fits, s.like = o.asked, o.info, o.fits, o.like
		}
		if d.Disc != "" && d.Disc != s.asked && !busy(d.Node) {
			s.ask(ctx, b.Drives)
		}
		if d.Disc != "" && s.asked == d.Disc {
			s.compare(b.shelf.look())
		}
		now = append(now, s)
	}
	rows := make([]driveRow, 0, len(now))
	for _, s := range now {
		rows = append(rows, s.row(b.Runs))
	}
	b.mu.Lock()
	b.seen = now
	b.mu.Unlock()
	b.ledger.put("drives", rows)
}

// readElsewhere tells whether another program may be reading with an optical drive: it
// is left alone then.
func (b *Bench) readElsewhere(node string) bool {
	if !device.OpticalNode(node) {
		return false
	}
	for _, c := range b.shelf.look() {
		if len(b.Runs.On(c.dir)) > 0 {
			continue
		}
		if user, err := imager.UserOf(c.dir); err == nil && user != nil {
			return true
		}
	}
	return false
}

// ask asks the drive what it says of its disc.
func (s *seenDrive) ask(ctx context.Context, all Drives) {
	r, err := all.Open(ctx, s.Node, imager.Known{})
	s.asked, s.fits, s.info = s.Disc, "", device.Info{}
	if err != nil {
		s.Problem = err.Error()
		return
	}
	s.info = r.Info()
	r.Close()
}

// compare compares the disc with the cases whose kind and size do not speak against it.
func (s *seenDrive) compare(cases []*shown) {
	var like []*shown
	fits := s.asked
	for _, c := range cases {
		const mayDiffer = 100 // sectors; imager knows it exactly
		st, ok := snapshotOf(c.dir)
		if ok && st.Good > 0 && max(st.Disc.Sectors-s.info.Sectors, s.info.Sectors-st.Disc.Sectors) <= mayDiffer {
			like = append(like, c)
			fits += " " + c.id
		}
	}
	if fits == s.fits {
		return
	}
	s.fits, s.like = fits, map[string]imager.Likeness{}
	for _, c := range like {
		if m, err := imager.Load(c.dir); err == nil {
			s.like[c.id] = imager.LikenessOf(m, s.info)
		}
	}
}

func (s *seenDrive) row(runs *imager.Runs) driveRow {
	r := driveRow{ID: s.id, Name: s.Name, Disc: s.Disc != "", Problem: s.Problem, Pretend: s.Pretend}
	if run := runs.With(s.Node); run != nil {
		r.Job = idOf(run.Dir)
	}
	if s.Disc == "" {
		return r
	}
	r.Loading = idOf(s.Disc)
	for _, id := range slices.Sorted(maps.Keys(s.like)) {
		switch s.like[id] {
		case imager.SameDisc:
			r.Same = append(r.Same, id)
		case imager.LikeIt:
			r.Like = append(r.Like, id)
		}
	}
	return r
}

// node is the node of a drive by its ID; "" where there is none.
func (b *Bench) node(id string) string {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, s := range b.seen {
		if s.id == id {
			return s.Node
		}
	}
	return ""
}

// opener opens a drive for a run.
func (b *Bench) opener(node string) func(context.Context, imager.Known) (device.Reader, error) {
	return func(ctx context.Context, k imager.Known) (device.Reader, error) { return b.Drives.Open(ctx, node, k) }
}
