package chart

import (
	"fmt"
	"math"
	"testing"
)

// linear is a value of sRGB as a share of light (IEC 61966-2-1, as WCAG 2.1 quotes
// it).
func linear(v uint8) float64 {
	c := float64(v) / 255
	if c <= 0.04045 {
		return c / 12.92
	}
	return math.Pow((c+0.055)/1.055, 2.4)
}

func light(c rgb) [3]float64 { return [3]float64{linear(c.r), linear(c.g), linear(c.b)} }

// luminance and contrast are those of WCAG 2.1.
func luminance(l [3]float64) float64 { return 0.2126*l[0] + 0.7152*l[1] + 0.0722*l[2] }

func contrast(a, b rgb) float64 {
	x, y := luminance(light(a)), luminance(light(b))
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

// The formula itself: black on white is 21, and the grey that WCAG's own pages name
// as just enough for text, #767676, is 4.54.
func TestContrastFormula(t *testing.T) {
	for _, c := range []struct {
		a    rgb
		want float64
	}{{rgb{}, 21}, {rgb{0x76, 0x76, 0x76}, 4.54}, {paper, 1}} {
		if got := contrast(c.a, paper); math.Abs(got-c.want) > 0.005 {
			t.Errorf("contrast(%v, white) = %.3f; want %.2f", c.a, got, c.want)
		}
	}
}

// A terminal's colours have the contrast of 3 that WCAG 2.1 (1.4.11) asks of graphics, on
// white and on black. Colours 16 to 231 are a cube of six steps each of red, green and blue
// (common practice of terminals).
func TestTerminalColoursShow(t *testing.T) {
	steps := [6]uint8{0, 95, 135, 175, 215, 255}
	for _, n := range append(blues8[:], vermilion8, paleVerm8) {
		c := rgb{steps[(n-16)/36], steps[(n-16)/6%6], steps[(n-16)%6]}
		for _, ground := range []rgb{paper, {}} {
			if got := contrast(c, ground); got < 3 {
				t.Errorf("contrast of colour %d on %v = %.2f; want 3 at least", n, ground, got)
			}
		}
	}
}

// grounds are the areas that what is missing may lie beside.
func besides() map[string]rgb {
	all := map[string]rgb{"paper": paper, "body": body}
	for n := range tints {
		p := paintOf(class{kind: won}, n)
		all["good "+string(rune('0'+n))] = p.flat().base
	}
	return all
}

// Text has 7 (WCAG 1.4.6), edges that carry a meaning 3 (WCAG 1.4.11): the solid
// outline of what is missing against all that lies on either side of it.
func TestContrastOfWhatCarriesMeaning(t *testing.T) {
	for _, c := range []struct {
		name string
		a, b rgb
		want float64
	}{
		{"text on paper", ink, paper, 7}, {"text on the disc", ink, body, 7},
		{"dots on paper", ink, paper, 3}, {"outline on vermilion", outline, vermilion, 3},
		{"vermilion on paper", vermilion, paper, 3},
		{"edges on paper", faint, paper, 3},
		{"curve on paper", blue, paper, 3},
	} {
		if got := contrast(c.a, c.b); got < c.want {
			t.Errorf("%s: contrast %.2f; want %.1f at least", c.name, got, c.want)
		}
	}
	for name, ground := range besides() {
		if got := contrast(outline, ground); got < 3 {
			t.Errorf("outline on %s: contrast %.2f; want 3 at least", name, got)
		}
		if got := contrast(ink, ground); got < 4.5 {
			t.Errorf("ink on %s: contrast %.2f; want 4.5 at least", name, got)
		}
	}
}

// Dichromats, as Machado, Oliveira and Fernandes simulate them (IEEE TVCG 15(6),
// 2009, severity 1.0), and protanopes and deuteranopes as Viénot, Brettel and
// Mollon do (Color Research and Application 24(4), 1999); the figures are [memory].
// All work on shares of light.
var dichromats = map[string][3][3]float64{
	"protanope, Machado":   {{0.152286, 1.052583, -0.204868}, {0.114503, 0.786281, 0.099216}, {-0.003882, -0.048116, 1.051998}},
	"deuteranope, Machado": {{0.367322, 0.860646, -0.227968}, {0.280085, 0.672501, 0.047413}, {-0.011820, 0.042940, 0.968881}},
	"tritanope, Machado":   {{1.255528, -0.076749, -0.178779}, {-0.078411, 0.930809, 0.147602}, {0.004733, 0.691367, 0.303900}},
	"protanope, Viénot":    {{0.11238, 0.88762, 0}, {0.11238, 0.88762, 0}, {0.00401, -0.00401, 1}},
	"deuteranope, Viénot":  {{0.29275, 0.70725, 0}, {0.29275, 0.70725, 0}, {-0.02234, 0.02234, 1}},
	"grey print":           {{0.2126, 0.7152, 0.0722}, {0.2126, 0.7152, 0.0722}, {0.2126, 0.7152, 0.0722}},
}

// White stays white for each of them: rows add up to one.
func TestDichromatsKeepWhite(t *testing.T) {
	for name, m := range dichromats {
		for i, row := range m {
			if sum := row[0] + row[1] + row[2]; math.Abs(sum-1) > 1e-4 {
				t.Errorf("%s: row %d adds up to %v; want 1", name, i, sum)
			}
		}
	}
}

// lab is CIE L*a*b* for the white of sRGB (CIE 15; matrix of IEC 61966-2-1).
func lab(l [3]float64) [3]float64 {
	for i := range l {
		l[i] = min(max(l[i], 0), 1)
	}
	xyz := [3]float64{
		(0.4124*l[0] + 0.3576*l[1] + 0.1805*l[2]) / 0.9505,
		0.2126*l[0] + 0.7152*l[1] + 0.0722*l[2],
		(0.0193*l[0] + 0.1192*l[1] + 0.9505*l[2]) / 1.0890,
	}
	f := func(t float64) float64 {
		if t > 216.0/24389 {
			return math.Cbrt(t)
		}
		return (24389.0/27*t + 16) / 116
	}
	return [3]float64{116*f(xyz[1]) - 16, 500 * (f(xyz[0]) - f(xyz[1])), 200 * (f(xyz[1]) - f(xyz[2]))}
}

// What is missing differs from all that lies beside it, for each kind of eyes and
// in a grey print, by 15 of CIE 1976 at least: a difference of about 2 is just seen
// (common practice), so this is seen at a glance.
func TestMissingShowsForAllEyes(t *testing.T) {
	for eyes, m := range dichromats {
		seen := func(c rgb) [3]float64 {
			l := light(c)
			var out [3]float64
			for i, row := range m {
				out[i] = row[0]*l[0] + row[1]*l[1] + row[2]*l[2]
			}
			return lab(out)
		}
		a := seen(vermilion)
		for name, ground := range besides() {
			b := seen(ground)
			d := math.Sqrt((a[0]-b[0])*(a[0]-b[0]) + (a[1]-b[1])*(a[1]-b[1]) + (a[2]-b[2])*(a[2]-b[2]))
			if d < 15 {
				t.Errorf("%s: vermilion and %s differ by %.1f; want 15 at least", eyes, name, d)
			}
		}
	}
}

// Tints of one blue: each class of won sectors has a pattern of its own, or, of the
// same pattern, another tint; losses get darker step by step, also in grey.
func TestClassesDiffer(t *testing.T) {
	seen := map[hatch]bool{}
	for n := range tints {
		p := paintOf(class{kind: won}, n)
		if seen[p.hatch] {
			t.Errorf("two classes of won sectors have hatch %d", p.hatch)
		}
		seen[p.hatch] = true
		if p.base.r > p.base.g || p.base.g > p.base.b {
			t.Errorf("tint %d is %v; want a tint of blue", n, p.base)
		}
	}
	last := 2.0
	for i, s := range lossSteps {
		l := luminance(light(s.paint.flat().base))
		if i > 0 && contrast(s.paint.flat().base, lossSteps[i-1].paint.flat().base) < 1.2 || l >= last {
			t.Errorf("loss step %d is not darker than the one before", i)
		}
		last = l
	}
}

// Where nothing is recorded looks like nothing else, in a grey print too: what has no
// pattern either differs in lightness.
func TestNothingRecordedDiffers(t *testing.T) {
	others := map[string]paint{"what is missing": paintOf(class{kind: failed}, 0)}
	for n := range tints {
		others[fmt.Sprintf("class %d of won sectors", n)] = paintOf(class{kind: won}, n)
	}
	for _, s := range lossSteps {
		others[s.words] = s.paint
	}
	for name, p := range others {
		if p.hatch == plain && contrast(p.base, body) < 1.2 {
			t.Errorf("%s has no pattern, and differs from the disc by %.2f; want 1.2 at least", name, contrast(p.base, body))
		}
	}
}
