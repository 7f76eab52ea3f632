package bench

import (
	"errors"

	"turnstone/imager"
)

// proof is a deep check that the page began: the whole image is read again, which takes
// as long as its disk needs.
type proof struct {
	runs bool
	said string // what it found; "" where none was made, or something was done since
}

// prove reads every good sector of a case again and holds it against its checksum. What
// does not match is taken back, so that it can be read anew. It returns at once.
func (b *Bench) prove(o order) (reply, error) {
	c, err := b.caseOf(o)
	if err != nil {
		return reply{}, err
	}
	c.mu.Lock()
	busy := c.proof.runs || len(c.sessions) > 0
	if !busy {
		c.proof = proof{runs: true}
	}
	c.mu.Unlock()
	if busy {
		return reply{}, errBusy
	}
	go func() {
		said := ""
		err := b.change(c, func(k *imager.Case) error {
			res, err := imager.Check(c.dir, true)
			if err == nil && !res.Rotten.Empty() {
				err = k.TakeBackRotten(res.Losses)
			}
			if !res.FormTwo.Empty() {
				err = errors.Join(err, k.TakeBackFormTwo(res.FormTwo))
			}
			said = b.Counsel.Proved(res)
			return err
		})
		if err != nil {
			said = "It could not be proved: " + b.Speech.Trouble(err)
		}
		c.mu.Lock()
		c.proof = proof{said: pathless(said, c.dir)}
		c.sound(map[bool]string{true: "done", false: "stalled"}[err == nil])
		c.mu.Unlock()
		b.soon()
	}()
	return reply{Said: "Every sector of the image is read and compared."}, nil
}
