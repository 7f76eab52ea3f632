package main

import (
	"context"
	"encoding/json"
	"io"
	"slices"
	"time"

	"turnstone/device"
	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/mapfile"
)

// terminalDesk is who sits at the terminal, or reads the pipe, while a pass runs.
type terminalDesk struct {
	o     readOptions
	s     streams
	words io.Writer // for people
	known bool      // the case was there before

	shown closer // the pass; nil before it and after
}

// Ready implements imager.Desk.
func (d *terminalDesk) Ready(ctx context.Context, c *imager.Case, info device.Info, r *imager.Reading) error {
	if d.known {
		warnOfClock(c.Map(), time.Now(), d.words)
		if err := askTreated(ctx, c, info, d.o, d.s); err != nil {
			return err
		}
	}
	r.Settings = d.o.settings(info.Kind)
	if d.o.surveyMissing {
		r.Only, r.Again = sector.Of(slices.Collect(imager.Missing(c.Map()))...), true
	}
	return nil
}

// Event implements imager.Listener.
func (d *terminalDesk) Event(e mapfile.Event) { d.listener().Event(e) }

// Progress implements imager.Listener.
func (d *terminalDesk) Progress(p imager.Progress) { d.listener().Progress(p) }

func (d *terminalDesk) listener() closer {
	if d.shown == nil {
		d.shown = newListener(d.o.json, d.s.Err)
		if isSimulated(d.o.drive) {
			d.shown = slowedDown(d.shown)
		}
	}
	return d.shown
}

// Note implements imager.Desk.
func (d *terminalDesk) Note(text string) {
	d.close()
	if d.o.json {
		json.NewEncoder(d.s.Err).Encode(mapfile.Event{Time: time.Now(), Pass: -1, Kind: "note", Text: text})
		return
	}
	tell(d.s.Err, "turnstone: %s\n", text)
}

// close takes away what stands on the screen of the pass.
func (d *terminalDesk) close() {
	if d.shown != nil {
		d.shown.close()
		d.shown = nil
	}
}
