package chart

import "strings"

// The letters of PNGs: strokes of a pen, drawn for this program.
//
// A glyph is strokes with spaces between; a stroke is points of two hexadecimal
// digits, x and y. The base line is y = 3, small letters reach to 8, capitals to
// b, tails to 1.
var glyphs = map[rune]string{
	'A': "032b43 1636", 'B': "030b3b4a493808 3847443303", 'C': "4a3b1b0a04133344", 'D': "030b2b49452303",
	'E': "4b0b0343 0737", 'F': "4b0b03 0737", 'G': "4a3b1b0a041333444727", 'H': "030b 434b 0747",
	'I': "0b2b 0323 1b13", 'J': "3b34231304", 'K': "030b 4b06 1743", 'L': "0b0343", 'M': "030b274b43",
	'N': "030b434b", 'O': "1b3b4a443313040a1b", 'P': "030b3b4a483707", 'Q': "1b3b4a443313040a1b 2543",
	'R': "030b3b4a483707 2743", 'S': "4a3b1b0a0817374644331304", 'T': "0b4b 2b23", 'U': "0b041333444b",
	'V': "0b234b", 'W': "0b1328334b", 'X': "034b 0b43", 'Y': "0b274b 2723", 'Z': "0b4b0343",
	'a': "3728180704132334 3833", 'b': "0b03 0718283734231304", 'c': "3728180704132334", 'd': "3b33 3728180704132334",
	'e': "06363728180704132334", 'f': "3b2b1a13 0828", 'g': "3832211102 3728180704132334", 'h': "0b03 0718283733",
	'i': "0803 0a0a", 'j': "181201 1a1a", 'k': "0b03 3805 1633", 'l': "0b03", 'm': "0803 07182723 27384743",
	'n': "0803 0718283733", 'o': "182837342313040718", 'p': "0801 0718283734231304", 'q': "3831 3728180704132334",
	'r': "0803 071828", 's': "3728180716263534231304", 't': "1a142333 0828", 'u': "0804132334 3833", 'v': "082348",
	'w': "0813263348", 'x': "0833 3803", 'y': "0823 4811", 'z': "08380333",
	'0': "1b2b3a342313040a1b", '1': "0a2b23 0343", '2': "0a1b3b4a480343", '3': "0a1b3b4a493818 384744331304",
	'4': "333b0545", '5': "4b0b08384744331304", '6': "4a3b1b0a0413334446371706", '7': "0b4b13",
	'8': "17080a1b3b4a48371706041333444637", '9': "041333444a3b1b0a08173748",
	'.': "0303", ',': "0302", ':': "0303 0707", ';': "0302 0707", '!': "0b05 0303", '?': "0a1b2b3a392715 1313",
	'-': "0636", '–': "0646", '—': "0646", '−': "0646", '+': "0646 2428", '=': "0545 0747", '/': "023b", '\\': "0b32",
	'(': "1b090412", ')': "0b191402", '[': "1b0b0212", ']': "0b1b1202", '\'': "0b09", '’': "0b09", '"': "0b09 2b29",
	'%': "034b 0b1b19090b 3545433335", '&': "43080a1b2a2805041323 2346", '*': "2529 0648 4608", '#': "121a 323a 0545 0848",
	'°': "1b2a190a1b", '±': "0848 262a 0444", 'µ': "0801 0804132334 3833", '·': "0606", '…': "0303 2323 4343",
	'×': "0448 0844", '_': "0242", '<': "380633", '>': "083603", '|': "0b02", '~': "06173546", '^': "092b49",
	'→': "0646 284624",
}

// unknownGlyph stands for letters that the font does not have.
const unknownGlyph = "030b4b4303"

// plainLetters are letters that are drawn without what is above or below them.
var plainLetters = strings.NewReplacer(
	"ä", "a", "á", "a", "à", "a", "â", "a", "ã", "a", "å", "a", "é", "e", "è", "e", "ê", "e", "ë", "e", "í", "i", "ì", "i",
	"î", "i", "ï", "i", "ó", "o", "ò", "o", "ô", "o", "ö", "o", "õ", "o", "ø", "o", "ú", "u", "ù", "u", "û", "u", "ü", "u",
	"ñ", "n", "ç", "c", "ß", "ss", "Ä", "A", "Á", "A", "À", "A", "Â", "A", "Å", "A", "É", "E", "È", "E", "Ö", "O", "Ó", "O",
	"Ø", "O", "Ü", "U", "Ú", "U", "Ñ", "N", "Ç", "C",
)

const (
	capUnits   = 8.0 // height of capitals in units of a glyph
	gapUnits   = 2.0 // behind each glyph
	spaceUnits = 3.0
	penShare   = 0.12 // width of the pen as a share of the height of capitals
	// Fonts in which an SVG may be shown are wider than ours.
	roomShare = 1.33
)

// textWidth is the room that a text takes, in mm, with capitals of a size in mm.
func textWidth(text string, size float64) float64 {
	w := 0.0
	for _, r := range plainLetters.Replace(text) {
		w += advance(r)
	}
	return roomShare * (w - gapUnits) * size / capUnits
}

// advance is how far the pen goes on behind a letter, in units.
func advance(r rune) float64 {
	if r == ' ' {
		return spaceUnits
	}
	w := 0.0
	for _, s := range strings.Fields(glyphOf(r)) {
		for i := 0; i+1 < len(s); i += 2 {
			w = max(w, float64(digit(s[i])))
		}
	}
	return w + gapUnits
}

func glyphOf(r rune) string {
	if g, ok := glyphs[r]; ok {
		return g
	}
	return unknownGlyph
}

func digit(c byte) int {
	if c >= 'a' {
		return int(c-'a') + 10
	}
	return int(c - '0')
}

// strokes is the label as lines of a pen.
func (l *label) strokes() line {
	text := plainLetters.Replace(printable(l.text))
	scale := l.size / capUnits
	width := 0.0
	for _, r := range text {
		width += advance(r)
	}
	width = max(0, width-gapUnits) * scale
	x := l.at.x
	switch l.anchor {
	case middle:
		x -= width / 2
	case end:
		x -= width
	}
	out := line{width: penShare * l.size, colour: l.colour}
	for _, r := range text {
		if r != ' ' {
			for _, s := range strings.Fields(glyphOf(r)) {
				var path []point
				for i := 0; i+1 < len(s); i += 2 {
					path = append(path, point{x + scale*float64(digit(s[i])), l.at.y - scale*float64(digit(s[i+1])-3)})
				}
				out.paths = append(out.paths, path)
			}
		}
		x += advance(r) * scale
	}
	return out
}
