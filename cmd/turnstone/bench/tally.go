package bench

import "turnstone/imager"

// tally is what the list of all jobs shows of a case beyond its status: the files have
// to be counted for it. Like detail it is worked out anew when a checkpoint has changed
// the case, with a pause of many times as long as it took.
type tally struct {
	stamp   string
	effort  effort
	working bool
	whole   string // how many films or files are; "" until it was counted
}

// paintTally is called with the case's mutex held.
func (b *Bench) paintTally(c *shown) {
	t := &c.tally
	if t.working || t.stamp == c.stamp || len(c.sessions) > 0 && !t.effort.due() {
		return
	}
	t.stamp, t.working = c.stamp, true
	go func() {
		var took effort
		var l imager.Listed
		idly(func() { took.spend(func() { l = imager.ListCase(c.dir) }) })
		c.mu.Lock()
		defer c.mu.Unlock()
		t.working, t.effort = false, took
		if l.Problem != "" {
			t.whole = ""
			return
		}
		t.whole = b.Counsel.Whole(l)
		c.advised(l.Next)
	}()
}

// advised keeps what is advised first. The case's mutex is held.
func (c *case_) advised(all []imager.Advice) {
	c.next = ""
	if len(all) > 0 {
		c.next = "Next: " + all[0].What
	}
}
