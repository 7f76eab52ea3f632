package imager

import (
	"errors"
	"fmt"
	"time"

	"turnstone/mapfile"
)

// checkpoint makes an epoch durable and returns events of the conflicts that it
// met, which the map has then. The order is the promise: the sectors are
// in the image before the sync begins, the sync ends before the map learns of
// them, and status.json tells only of what the map says. Whoever is stopped
// between two of these lines has lost the epoch and nothing else.
//
// mapfile.ErrBusy is returned when readers hold the map: the epoch is in the
// map's memory then and goes with the next checkpoint. After any other error
// nobody knows whether the epoch is good but the map on the disk, and nothing may
// be committed any more: a sync that failed may have thrown away what it did not
// write, and a later one would not know.
func checkpoint(d disk, m *mapfile.Map, pass int, p mapfile.Pass, e *epoch, now time.Time) ([]mapfile.Event, error) {
	// 1. What the epoch says was written is on the disk when this returns, into the
	// image or beside it.
	if err := d.syncImage(); err != nil {
		return nil, fmt.Errorf("syncing the image: %w", err)
	}
	if err := d.syncKept(); err != nil {
		return nil, fmt.Errorf("syncing what is kept beside the image: %w", err)
	}
	// 2. Only now may the map call it good.
	// The pass first: its settings are what the runs refer to.
	err := m.SetPass(pass, p)
	var conflicts []mapfile.Event
	if err == nil {
		conflicts, err = e.record(m, pass, now)
	}
	if err != nil {
		return conflicts, fmt.Errorf("recording: %w", err)
	}
	// 3. One transaction: all of the epoch or nothing of it.
	if err := d.commit(m); errors.Is(err, mapfile.ErrBusy) {
		return conflicts, err
	} else if err != nil {
		return conflicts, fmt.Errorf("committing the map: %w", err)
	}
	// 4. The snapshot for whoever looks on; made from the map, so it comes last.
	if err := d.writeStatus(m); err != nil {
		return conflicts, fmt.Errorf("writing %s: %w", statusName, err)
	}
	return conflicts, nil
}
