package press

import "fmt"

// A picture of 720 × 576, in blocks of 8 × 8: luma, and a half of it each way for the
// two chromas, which makes macroblocks of four blocks of luma.
const (
	across, down   = 720 / 8, 576 / 8
	macroX, macroY = across / 2, down / 2
)

// mosaic is a picture as the shades of its blocks.
type mosaic struct {
	luma   [down][across]uint8
	cb, cr [macroY][macroX]uint8
}

// scene is the backdrop of a minute of a film: sky with a sun, and hills below it.
func scene(film, minute int) *mosaic {
	m := &mosaic{}
	x := grain(film*1000 + minute)
	sunX, sunY := 12+int(x.next()%66), 8+int(x.next()%12)
	var hill [across]int
	height, slope := 38+int(x.next()%12), 0
	for i := range hill {
		if i%6 == 0 {
			slope = int(x.next()%3) - 1
		}
		height = min(max(height+slope*int(x.next()%2), 30), 60)
		hill[i] = height
	}
	tint := uint8(film * 23 % 40)
	for y := range down {
		for i := range across {
			dx, dy := i-sunX, y-sunY
			switch {
			case y >= hill[i]:
				m.luma[y][i] = uint8(70 + (y-hill[i])/2)
			case dx*dx+dy*dy < 30:
				m.luma[y][i] = 215
			default:
				m.luma[y][i] = uint8(180 - y)
			}
		}
	}
	for y := range macroY {
		for i := range macroX {
			m.cb[y][i], m.cr[y][i] = 150+tint/4, 110+tint/2
			if 2*y >= hill[2*i] {
				m.cb[y][i], m.cr[y][i] = 100+tint/2, 118
			}
		}
	}
	return m
}

// dust puts grain over a picture, another for each seed.
func (m *mosaic) dust(seed int) {
	x := grain(seed)
	for y := range m.luma {
		row := &m.luma[y]
		for i := 0; i < across; {
			for v, k := x.next(), 0; k < 10 && i < across; v, k, i = v>>5, k+1, i+1 {
				row[i] += uint8(v & 31)
			}
		}
	}
}

// write puts a text of digits, letters and colons over a picture, each of its points so
// many blocks wide.
func (m *mosaic) write(text string, left, top, points int) {
	for _, c := range text {
		for y, row := range font[c] {
			for x, point := range row {
				if point == ' ' {
					continue
				}
				for dy := range points {
					for dx := range points {
						m.luma[top+y*points+dy][left+x*points+dx] = 16
					}
				}
			}
		}
		left += 4 * points
	}
}

// clock is a time of so many seconds as it stands in the pictures.
func clock(seconds int) string {
	return fmt.Sprintf("%d:%02d:%02d", seconds/3600, seconds/60%60, seconds%60)
}

// font is the characters of clocks and titles, of 3 × 5 points.
var font = map[rune][5]string{
	'0': {"###", "# #", "# #", "# #", "###"}, '1': {" # ", "## ", " # ", " # ", "###"},
	'2': {"###", "  #", "###", "#  ", "###"}, '3': {"###", "  #", " ##", "  #", "###"},
	'4': {"# #", "# #", "###", "  #", "  #"}, '5': {"###", "#  ", "###", "  #", "###"},
	'6': {"###", "#  ", "###", "# #", "###"}, '7': {"###", "  #", " # ", " # ", " # "},
	'8': {"###", "# #", "###", "# #", "###"}, '9': {"###", "# #", "###", "  #", "###"},
	':': {"   ", " # ", "   ", " # ", "   "}, 'M': {"# #", "###", "###", "# #", "# #"},
	'E': {"###", "#  ", "## ", "#  ", "###"}, 'N': {"###", "# #", "# #", "# #", "# #"},
	'U': {"# #", "# #", "# #", "# #", "###"},
}

// random is a stream of words that look random: the 64-bit mix of SplitMix over a counter.
type random uint64

func grain(seed int) random { return random(seed) << 32 }

func (r *random) next() uint64 {
	*r++
	x := uint64(*r) * 0x9E3779B97F4A7C15
	x = (x ^ x>>30) * 0xBF58476D1CE4E5B9
	x = (x ^ x>>27) * 0x94D049BB133111EB
	return x ^ x>>31
}
