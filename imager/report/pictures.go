package report

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"slices"

	"turnstone/imager"
	"turnstone/mapfile/chart"
)

//go:embed bench.html customer.html style.html
var templates embed.FS

// drawing is a picture on a page, and what stands below it.
type drawing struct {
	SVG     template.HTML
	Caption string
}

// keyRow is what a filling of the pictures stands for.
type keyRow struct {
	SVG   template.HTML
	Words string
}

// artist makes drawings of a page, whose patterns all have names of their own.
type artist struct{ n int }

func (a *artist) draw(s chart.Sheet) (template.HTML, error) {
	var b bytes.Buffer
	a.n++
	err := s.Inline(&b, fmt.Sprintf("p%d-", a.n))
	return template.HTML(b.String()), err // of package chart, which escapes what is not its own
}

// beforeAndAfter is the discs before the first treatment and as they are now; where
// there was none, as they are now.
func (r *Report) beforeAndAfter() (all []drawing, keys []keyRow, err error) {
	if r.Disc.Sectors == 0 {
		return nil, nil, nil
	}
	var a artist
	var known []chart.Key
	for _, v := range r.views() {
		p, err := imager.StandingMap(r.m, v.View)
		if err != nil {
			return nil, nil, err
		}
		good, sectors := int64(0), int64(0)
		for _, k := range p.Keys() {
			if sectors += k.Sectors; !k.Missing {
				good += k.Sectors
			}
			if !slices.ContainsFunc(known, func(o chart.Key) bool { return inOneWord(o) == inOneWord(k) }) {
				known = append(known, k)
			}
		}
		for i, s := range p.Bare() {
			svg, err := a.draw(s)
			if err != nil {
				return nil, nil, err
			}
			d := drawing{SVG: svg}
			if i == 0 {
				d.Caption = fmt.Sprintf("%s: %s read", v.words, percent(good, sectors))
			} else {
				d.Caption = fmt.Sprintf("its layer %d", i)
			}
			all = append(all, d)
		}
	}
	slices.SortStableFunc(known, func(a, b chart.Key) int { return keyOrder(a) - keyOrder(b) })
	for _, k := range known {
		svg, err := a.draw(k.Swatch)
		if err != nil {
			return nil, nil, err
		}
		keys = append(keys, keyRow{svg, r.keyInWords(k)})
	}
	return all, keys, nil
}

type view struct {
	chart.View
	words string
}

// views are the rounds that the customer sees.
func (r *Report) views() []view {
	now := view{chart.View{Round: chart.Latest, Layer: chart.AllLayers}, "As the disc came in"}
	if len(r.Rounds) < 2 {
		return []view{now}
	}
	first := view{chart.View{Round: 0, Layer: chart.AllLayers}, "Before any treatment"}
	now.words = "At the end"
	return []view{first, now}
}

func keyOrder(k chart.Key) int {
	switch {
	case !k.Missing:
		return k.First
	case k.Here:
		return 1 << 20
	case k.Asked:
		return 1<<20 + 1
	}
	return 1<<20 + 2
}

// inOneWord tells fillings apart.
func inOneWord(k chart.Key) string {
	return fmt.Sprint(k.Missing, k.Asked, k.Here, k.First, k.Last)
}

func (r *Report) keyInWords(k chart.Key) string {
	switch {
	case k.Here:
		return "could not be read"
	case k.Asked:
		return "not tried since the last treatment"
	case k.Missing:
		return "not tried"
	case k.First == 0:
		return "read before any treatment"
	case k.Last > k.First:
		return fmt.Sprintf("read after treatments %d to %d", k.First, k.Last)
	}
	return fmt.Sprintf("read after treatment %d", k.First)
}

// sheets is all drawings of the case, for the bench: how it stood after round 0, and as
// it is now with the estimated damage and what the passes brought.
func (r *Report) sheets() (all []drawing, err error) {
	if r.Disc.Sectors == 0 {
		return nil, nil
	}
	var a artist
	v := chart.View{Title: r.Name, Round: chart.Latest, Layer: chart.AllLayers}
	now, err := imager.DamageMap(r.m, v)
	if err != nil {
		return nil, err
	}
	sheets := now.Sheets()
	if len(r.Rounds) > 1 {
		v.Round = 0
		first, err := imager.StandingMap(r.m, v)
		if err != nil {
			return nil, err
		}
		before := first.Sheets()
		sheets = append(before[:len(before)-1], sheets...) // without the work, which the last has in full
	}
	for _, s := range sheets {
		svg, err := a.draw(s)
		if err != nil {
			return nil, err
		}
		all = append(all, drawing{SVG: svg, Caption: s.Title})
	}
	return all, nil
}
