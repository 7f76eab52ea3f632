package imager

import (
	"time"

	"turnstone/device/sector"
	"turnstone/imager/plan"
)

// HourMore is what an hour more of reading should bring of files.
type HourMore struct {
	Drive string       // that would read: the one that read most of this surface
	Files []plan.Share // one for each file
}

// HourMore is that of some files, by the plan's model of the surface and by how long this
// drive's failures took so far. Not ok is returned where nothing can be said: the disc's
// geometry is not known, or nothing was read in the last round.
func (f *Files) HourMore(of []Unasked) (h HourMore, ok bool) {
	round := len(f.m.Rounds()) - 1
	task := modelOf(f.m, round)
	if len(shapeOf(f.m.Disc()).Layers) == 0 || task.Drive < 0 {
		return h, false
	}
	if f.Choosy() {
		task.Only = f.m.Wanted().Sectors // what the hour goes into
	}
	h.Drive = f.m.Drives()[task.Drive].Name()
	done := plan.Work{Later: round > 0}
	for n, p := range f.m.Passes() {
		if p.Round == round && p.Drive == task.Drive {
			done.Took += time.Duration(p.Seconds * float64(time.Second))
			done.Came += f.m.Won(n)
			done.Failed += p.Failed
			done.Over = p.How != ""
		}
	}
	parts := make([]sector.Set, len(of))
	for i, u := range of {
		parts[i] = u.lacks
	}
	h.Files = plan.Look(task).Shares(time.Hour, done, parts)
	return h, true
}
