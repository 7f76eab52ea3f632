package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"turnstone/imager"
	"turnstone/mapfile"
	"turnstone/mapfile/chart"
)

var chartCommand = command{
	name:    "chart",
	args:    "CASE",
	summary: "the damage map: where on the disc the damage lies",
	about: `
Draws the disc to scale, by radius and angle: what is in the image and which round won
it, what is missing, what was not asked for yet; and what each pass, round and drive
brought. As text in the terminal; as SVG in true millimetres, so that the disc can be
laid on the printed page; as PNG. The pictures go into the case's folder charts unless
--out names a file.

It lists the marks found, what each costs and what became of it since the round
before, and says where there is most to win. Angles count from where the first sector
lies, wherever that is: tell with --seen where two or three long scratches are seen on
the disc in the hand, and the map is turned so that it matches; three or more, far
apart in radius, bend it right where its angles drift. Where another turn would fit
about as well, both are said and none is kept: tell one more, or with --side from which
side you look. --turn goes before.

No mark is taken for another where you say which is seen where, by its number in the list
and the pictures, as the map stands now: "mark 3 9:30", or "mark 3 34 mm 9:30" for a part
of a long one. One such place is enough with --side; without it two mostly are.

Where nothing is known of the geometry, as of a plain file, it draws a strip over the
addresses; read --kind says what a plain file is.`,
	example: "turnstone chart anna-wedding --as svg --out wedding.svg\nturnstone chart anna-wedding --seen \"34 mm 4 o'clock\" --seen \"51 mm 9:30\"\nturnstone chart anna-wedding --side read --seen \"mark 3 9:30\"",
	brief:   true,
	setup:   setupChart,
}

// chartOptions are the options of chart.
type chartOptions struct {
	as     string
	pixels int
	layer  int
	round  int
	turn   float64
	side   string
	seen   []string
	out    string
	json   bool
}

// Widths of a PNG in pixels.
const (
	fewestPixels = 100
	mostPixels   = 10_000
)

func setupChart(f *pflag.FlagSet) action {
	o := chartOptions{as: "text", pixels: 2000, side: "read", layer: chart.AllLayers, round: chart.Latest}
	f.StringVar(&o.as, "as", o.as, "`FORM` of the map: text, svg or png")
	f.IntVar(&o.pixels, "pixels", o.pixels, "width of a PNG, `N` pixels")
	f.IntVar(&o.layer, "layer", o.layer, "draw layer `N` only, the first is 0; each if not said")
	f.IntVar(&o.round, "round", o.round, "draw how the case stood after round `N`; as it stands now if not said")
	f.Float64Var(&o.turn, "turn", 0, "turn the picture by so many `DEGREES`, clockwise as seen from the reading side")
	f.StringArrayVar(&o.seen, "seen", nil, "turn the map so that its marks lie where two or more long scratches are seen, each a `PLACE` such as \"34 mm 4 o'clock\", or \"mark 3 9:30\" by its number on the map; the case keeps it")
	f.StringVar(&o.side, "side", o.side, "the `SIDE` from which the disc is looked at: read or label")
	f.StringVar(&o.out, "out", "", "write the picture into `FILE`; - is standard output")
	f.BoolVar(&o.json, "json", false, "one JSON document: the numbers behind the map")
	return func(args []string, s streams) error {
		dir, err := oneCase(args)
		if err != nil {
			return err
		}
		v := chart.View{Title: filepath.Base(dir), Round: o.round, Layer: o.layer, Turn: o.turn}
		switch o.side {
		case "read":
		case "label":
			v.Side = chart.Label
		default:
			return usagef("--side %q: say read or label", o.side)
		}
		switch {
		case o.pixels < fewestPixels || o.pixels > mostPixels:
			return usagef("--pixels %d: say %d to %d", o.pixels, fewestPixels, mostPixels)
		case o.as != "text" && o.as != "svg" && o.as != "png":
			return usagef("--as %q: say text, svg or png", o.as)
		case o.json && f.Changed("as"):
			return usagef("--as and --json do not go together")
		case !(o.turn >= -360 && o.turn <= 360):
			return usagef("--turn %g: say -360 to 360", o.turn)
		case f.Changed("round") && o.round < 0:
			return usagef("--round %d: the first round is 0", o.round)
		case f.Changed("layer") && o.layer < 0:
			return usagef("--layer %d: the first layer is 0", o.layer)
		}
		from := sidesOf(f.Changed("side"), v.Side)
		places, err := placesOf(o.seen, from, f.Changed("round"))
		if err != nil {
			return err
		}
		if len(places) > 0 {
			if err := keepSeen(dir, places, from, o.layer, s); err != nil {
				return err
			}
		}
		m, err := imager.LoadBare(dir)
		if err != nil {
			return err
		}
		if h := m.Disc().Held; h != nil {
			if !f.Changed("turn") {
				v.Turn = h.TurnDeg
			}
			if !f.Changed("side") && h.Side == "label" {
				v.Side = chart.Label
			}
		}
		return drawChart(dir, m, v, o, s)
	}
}

// placesOf are the places that were told with --seen, from some sides: none, two at least,
// or one that names its mark where the side is said. The marks of an earlier round have
// other numbers.
func placesOf(told []string, from []chart.Side, earlier bool) ([]chart.Place, error) {
	var all []chart.Place
	for _, t := range told {
		p, err := chart.ParsePlace(t)
		if err != nil {
			return nil, usageError{"--seen: " + err.Error()}
		}
		if p.Mark > 0 && earlier {
			return nil, usagef("--seen %q: marks are named by the map as the case stands now; leave out --round", t)
		}
		all = append(all, p)
	}
	switch {
	case len(all) != 1:
	case all[0].Mark == 0:
		return nil, usagef("--seen: %s; say --seen once for each of two or three long scratches, or name one by its number on the map: --seen \"mark 3 9:30\"", chart.ErrFewPlaces)
	case len(from) > 1:
		return nil, usagef("--seen: %s; add --side read or --side label, or tell of one more", chart.ErrNoSide)
	}
	return all, nil
}

// keepSeen turns the case's map by what was seen, and says how well it fits.
func keepSeen(dir string, places []chart.Place, from []chart.Side, layer int, s streams) (err error) {
	c, err := imager.Open(dir, writer())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, c.Close()) }()
	h, err := c.Seen(places, from, layer)
	switch {
	case errors.Is(err, chart.ErrNoLayer):
		return usageError{err.Error()}
	case err != nil:
		return err
	}
	tell(s.Err, "%s\n", imager.HeldInWords(h))
	if left := imager.LeftOutInWords(h, places); left != "" {
		tell(s.Err, "%s\n", left)
	}
	return nil
}

// sidesOf are the sides from which a disc may have been looked at: the one that was said,
// or both.
func sidesOf(said bool, side chart.Side) []chart.Side {
	if said {
		return []chart.Side{side}
	}
	return []chart.Side{chart.Reading, chart.Label}
}

func drawChart(dir string, m *mapfile.Map, v chart.View, o chartOptions, s streams) error {
	if c := m.Closing(); c.Gone() {
		v.Notes = append(v.Notes, "The case is discarded: image and files are deleted, and these are its figures.")
		tell(s.Err, "%s", closingInWords(&c, dir, time.Now()))
	}
	p, err := imager.DamageMap(m, v)
	if err != nil {
		return usageError{err.Error()}
	}
	var draw func(io.Writer) error
	switch {
	case o.json:
		draw = p.JSON
	case o.as == "svg":
		draw = p.SVG
	case o.as == "png":
		draw = func(w io.Writer) error { return p.PNG(w, o.pixels) }
	default:
		style := textStyle(s.Out)
		if o.out != "" && o.out != "-" {
			style = chart.Style{Width: 80}
		}
		draw = func(w io.Writer) error { return p.Text(w, style) }
	}
	switch {
	case o.out == "-" || o.out == "" && (o.as == "text" || o.json):
		return draw(s.Out)
	case o.out != "":
		return replaceFile(o.out, draw)
	}
	return drawSheets(dir, p, o, s)
}

// drawSheets writes each picture into the case's folder, and says where.
func drawSheets(dir string, p *chart.Picture, o chartOptions, s streams) error {
	folder := filepath.Join(dir, imager.ChartsName)
	if err := os.Mkdir(folder, 0o700); err != nil && !errors.Is(err, os.ErrExist) {
		return err
	}
	after := "now"
	if o.round != chart.Latest {
		after = fmt.Sprintf("round-%d", o.round)
	}
	for _, sheet := range p.Sheets() {
		path := filepath.Join(folder, fmt.Sprintf("%s-%s.%s", after, sheet.Name, o.as))
		draw := sheet.SVG
		if o.as == "png" {
			draw = func(w io.Writer) error { return sheet.PNG(w, o.pixels) }
		}
		if err := replaceFile(path, draw); err != nil {
			return err
		}
		fmt.Fprintln(s.Out, path)
	}
	return nil
}

// textStyle is how a place of output can show a picture: a terminal by its width and
// in colour unless NO_COLOR is set; anything else plain at 80 columns. Where the locale
// is not of UTF-8, with ASCII only.
func textStyle(w io.Writer) chart.Style {
	style := chart.Style{Width: 80, ASCII: !speaksUTF8()}
	if f, ok := w.(*os.File); ok && isTerminal(f) {
		style.Width, style.Colour = width(f), os.Getenv("NO_COLOR") == "" && os.Getenv("TERM") != "dumb"
	}
	return style
}

// speaksUTF8 tells whether the locale's characters are UTF-8 (POSIX, chapter 8: the
// first of the three that is set decides).
func speaksUTF8() bool {
	for _, name := range []string{"LC_ALL", "LC_CTYPE", "LANG"} {
		if v := strings.ToLower(os.Getenv(name)); v != "" {
			return strings.Contains(v, "utf-8") || strings.Contains(v, "utf8")
		}
	}
	return false
}
