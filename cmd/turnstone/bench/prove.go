package bench

// proof is what a deep check found that the page began.
type proof struct {
	said  string
	holds bool // map and image agree
}

// prove reads every good sector of a case again and holds it against its checksum. What
// does not match is taken back, so that it can be read anew. It returns at once: the check
// takes as long as the image's disk needs.
func (b *Bench) prove(o order) (reply, error) {
	c, err := b.caseOf(o)
	if err != nil {
		return reply{}, err
	}
	c.mu.Lock()
	busy := c.proving || len(c.sessions) > 0
	if !busy {
		c.proving, c.proof = true, nil
	}
	c.mu.Unlock()
	if busy {
		return reply{}, errBusy
	}
	go func() {
		var found proof
		res, err := b.Runs.Prove(c.dir)
		if err == nil {
			found = proof{b.Counsel.Proved(res), len(res.Problems) == 0 && !res.Short}
		} else {
			found = proof{said: "It could not be proved: " + b.Speech.Trouble(err)}
		}
		c.mu.Lock()
		found.said = pathless(found.said, c.dir)
		c.stamp, c.ended = "", nil
		c.proving, c.proof = false, &found
		c.sound(map[bool]string{true: "done", false: "stalled"}[found.holds])
		c.mu.Unlock()
		b.soon()
	}()
	return reply{Said: "Every sector of the image is read and compared."}, nil
}
