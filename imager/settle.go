package imager

import (
	"errors"
	"fmt"

	"turnstone/device/sector"
	"turnstone/mapfile"
)

// Settling decides a conflict for one of its sides. Where that is what the image
// has, only the decision is noted. Where it is another one, the image changes, and
// a stop at any moment must leave neither a sector that is called good and is
// not in the image, nor bytes of one side lost:
//
//  1. Both sides are beside the image, and durable there.
//  2. The decision is committed. The sector is untried from then on: it waits for
//     the bytes decided for.
//  3. These are written into the image, which is synced.
//  4. The map is committed: the sector is good, won by the pass that brought them.
//
// Who is stopped between 2 and 4 is finished by the next opening (takeDecided).
// The last steps are those of everything that comes into the image.

// decision settles the conflict of a sector for the data with that sum.
type decision struct {
	at   sector.LBA
	sum  uint32
	from int // the pass whose data it is
}

// Settled is what settling did.
type Settled struct {
	Kept    int64      // conflicts in which what the image has stands
	Changed int64      // sectors that took the other side's bytes
	Lost    sector.Set // sectors left in conflict: the side decided for is not kept any more
}

// SettleFor decides every conflict in which the pass is a side for that pass; with
// again also those that were decided against it before. mapfile.ErrUnknown is returned
// when there is no such pass.
func (c *Case) SettleFor(pass int, again bool) (Settled, error) {
	if pass < 0 || pass >= len(c.m.Passes()) {
		return Settled{}, fmt.Errorf("pass %d: %w", pass, mapfile.ErrUnknown)
	}
	var all []decision
	decided := sector.LBA(-1) // a sector has several conflicts, and one decision
	for _, k := range c.m.Conflicts() {
		switch {
		case k.At == decided:
		case k.OtherPass == pass:
			all = append(all, decision{k.At, k.Other, pass})
			decided = k.At
		case k.KeptPass == pass:
			all = append(all, decision{k.At, k.Kept, pass})
			decided = k.At
		}
	}
	if again {
		all = append(all, c.against(pass)...)
	}
	res, err := c.settle(all, -1, fmt.Sprintf("by hand, for pass %d", pass), silent{})
	return res, c.besideConflicts(err)
}

// DecidedAgainst is the sectors of which the bytes of a pass were decided against.
func (c *Case) DecidedAgainst(pass int) (set sector.Set) {
	for _, d := range c.against(pass) {
		set.Add(sector.Span(d.at, 1))
	}
	return set
}

// against is the decisions that would bring back what was decided against a pass, where
// nothing is open.
func (c *Case) against(pass int) (all []decision) {
	open := c.m.InConflict()
	for _, k := range c.m.Settled() {
		if k.OtherPass == pass && !open.Contains(k.At) {
			all = append(all, decision{k.At, k.Other, pass})
		}
	}
	return all
}

// settle makes decisions true, and keeps an event of each, of which the listener
// hears; how says how they came about, and by is the pass that did, or -1.
func (c *Case) settle(all []decision, by int, how string, l Listener) (Settled, error) {
	var res Settled
	var firm []decision
	for _, d := range all {
		ok, err := c.keepBoth(d)
		if err != nil {
			return res, err
		}
		if ok {
			firm = append(firm, d)
		} else {
			res.Lost.Add(sector.Span(d.at, 1))
		}
	}
	if len(firm) == 0 {
		return res, nil
	}
	if err := c.disk.syncKept(); err != nil {
		return res, fmt.Errorf("syncing what is kept beside the image: %w", err)
	}
	sides := map[sector.LBA][]mapfile.Conflict{}
	for _, k := range append(c.m.Conflicts(), c.m.Settled()...) {
		sides[k.At] = append(sides[k.At], k)
	}
	for _, d := range firm {
		kept, pass, _ := c.m.Sum(d.at)
		text := fmt.Sprintf("sector %d, %s: the bytes of pass %d (checksum %08x) stand: ", d.at, how, d.from, d.sum)
		if d.sum == kept {
			text += "as they are in the image"
			res.Kept++
		} else {
			text += fmt.Sprintf("those of pass %d (%08x) go out of the image and are kept beside it", pass, kept)
		}
		for _, side := range sides[d.at] {
			if side.Other != d.sum {
				text += fmt.Sprintf("; pass %d had %08x", side.OtherPass, side.Other)
			}
		}
		if err := c.m.Decide(d.at, d.sum); err != nil {
			return res, err
		}
		e := mapfile.Event{Time: c.now(), Pass: by, Kind: KindSettled, Range: sector.Span(d.at, 1), Text: text}
		c.m.AddEvent(e)
		l.Event(e)
	}
	if err := c.commit(); err != nil {
		return res, errors.Join(fmt.Errorf("committing the decision: %w", err), c.takeBackDecided())
	}
	n, err := c.takeDecided()
	res.Changed = n
	if err != nil {
		return res, errors.Join(err, c.takeBackDecided())
	}
	return res, nil
}

// keepBoth has both sides of a conflict beside the image where the image is to
// change. Not ok tells that the side decided for is not there as it came.
func (c *Case) keepBoth(d decision) (ok bool, err error) {
	kept, pass, _ := c.m.Sum(d.at)
	if kept == d.sum {
		return true, nil
	}
	buf := make([]byte, sector.Size)
	if err := c.disk.readKept(d.from, buf, d.at); err != nil || mapfile.Sum(buf) != d.sum {
		return false, nil
	}
	if err := c.disk.readImage(buf, d.at); err != nil {
		return false, fmt.Errorf("reading the image: %w", err)
	}
	if mapfile.Sum(buf) != kept {
		return true, nil // it has rotted: there is nothing to keep
	}
	if err := c.disk.writeKept(pass, buf, d.at); err != nil {
		return false, fmt.Errorf("keeping the other side of a conflict: %w", err)
	}
	return true, nil
}

// takeDecided puts into the image what was decided for and is not there yet. It
// returns for how many sectors it did. What is not kept any more leaves its
// sector untried.
func (c *Case) takeDecided() (int64, error) {
	all := c.m.Choices()
	if len(all) == 0 {
		return 0, nil
	}
	var taken []sector.LBA
	buf := make([]byte, sector.Size)
	for _, d := range all {
		if err := c.disk.readKept(d.Pass, buf, d.At); err != nil || mapfile.Sum(buf) != d.Sum {
			if err := c.disk.clearImage(sector.Span(d.At, 1)); err != nil {
				return 0, fmt.Errorf("clearing the image: %w", err)
			}
			c.m.Forgo(d.At)
			c.m.AddEvent(mapfile.Event{Time: c.now(), Pass: -1, Kind: KindRotten, Range: sector.Span(d.At, 1),
				Text: fmt.Sprintf("it was decided for the bytes of pass %d, which are not kept any more", d.Pass)})
			continue
		}
		if err := c.disk.writeImage(buf, d.At); err != nil {
			return 0, fmt.Errorf("writing the image: %w", err)
		}
		taken = append(taken, d.At)
	}
	if err := c.disk.syncImage(); err != nil {
		return 0, fmt.Errorf("syncing the image: %w", err)
	}
	for _, a := range taken {
		if err := c.m.Take(a); err != nil {
			return 0, err
		}
	}
	return int64(len(taken)), c.saveRecords()
}

// takeBackDecided leaves the case, after a failure, as its next opening will find
// it: with the map that is on the disk, and zeros where a decision waits.
func (c *Case) takeBackDecided() error {
	m, err := c.disk.load()
	if err != nil {
		return err
	}
	c.m = m
	var waits sector.Set
	for _, d := range m.Choices() {
		waits.Add(sector.Span(d.At, 1))
	}
	if waits.Empty() {
		return nil
	}
	return c.clear(waits)
}
