package chart

import (
	"iter"
	"strings"
	"unicode"
)

// fields goes through the words of a text, without what can't be shown: control
// and format characters, and bytes that are not UTF-8.
func fields(text string) iter.Seq[string] {
	return strings.FieldsSeq(printable(text))
}

// printable is a text from outside, such as a drive's name or a note, as one line
// that can be shown anywhere.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r):
			return ' '
		case r == unicode.ReplacementChar, !unicode.IsGraphic(r):
			return -1
		}
		return r
	}, text)
}

// ascii is a text in plain ASCII: signs of ours get plain ones, other letters a
// question mark.
func ascii(text string) string {
	text = plainSigns.Replace(text)
	return strings.Map(func(r rune) rune {
		if r > 126 || r < 32 {
			return '?'
		}
		return r
	}, text)
}

var plainSigns = strings.NewReplacer(
	"–", "-", "—", "-", "…", "...", "·", ".", "µ", "u", "±", "+/-", "°", " deg", "’", "'", "→", "->", "−", "-", "×", "x",
)
