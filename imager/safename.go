package imager

import (
	"fmt"
	"path/filepath"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Names on a disc are nobody's friends: they may lead out of a folder, name a device,
// hide what they are, or differ in nothing that the customer's file system tells apart.
// What a file is called when it is written out is safe on Linux, Windows and macOS and
// on FAT and exFAT: the same wherever it is carried next.
const (
	maxSafeName = 255  // bytes of a name: NAME_MAX of Linux's file systems (linux/limits.h)
	maxSafePath = 2048 // bytes of a path, half of PATH_MAX, which leaves room for the folder
)

// Names of devices, with any extension too, and what no name may hold or end in, are
// Microsoft's ("Naming Files, Paths, and Namespaces" [memory]).
var deviceNames = map[string]bool{"con": true, "prn": true, "aux": true, "nul": true}

// safeName is a name that can be written anywhere: what can't is "_".
func safeName(name string) string {
	var b strings.Builder
	for _, r := range strings.ToValidUTF8(name, "_") {
		switch {
		case strings.ContainsRune(`/\:*?"<>|`, r), r == 0x7f || r < ' ', r == utf8.RuneError:
			b.WriteByte('_')
		case r == 0x200c || r == 0x200d: // joiners, which scripts need
			b.WriteRune(r)
		case unicode.Is(unicode.Zs, r) || unicode.IsPrint(r):
			b.WriteRune(r)
		default: // turns round what is shown, or is not seen
			b.WriteByte('_')
		}
	}
	s := b.String()
	if t := strings.TrimRight(s, ". "); len(t) < len(s) {
		s = t + strings.Repeat("_", min(8, len(s)-len(t)))
	}
	base, _, _ := strings.Cut(s, ".")
	if isDevice(strings.TrimRight(base, " ")) {
		s = "_" + s
	}
	if s == "" {
		s = "_"
	}
	return shorten(s, maxSafeName)
}

// isDevice tells whether a name without extension is that of a device.
func isDevice(base string) bool {
	base = strings.ToLower(base)
	if deviceNames[base] {
		return true
	}
	kind, digit := base, ""
	for _, k := range []string{"com", "lpt"} {
		if rest, ok := strings.CutPrefix(base, k); ok {
			kind, digit = k, rest
		}
	}
	return kind != base && len([]rune(digit)) == 1 && strings.ContainsAny(digit, "0123456789¹²³")
}

// shorten is a name of at most n bytes, with its extension.
func shorten(name string, n int) string {
	if len(name) <= n {
		return name
	}
	ext := filepath.Ext(name)
	if len(ext) > 16 {
		ext = ""
	}
	stem := name[:n-len(ext)]
	for !utf8.ValidString(stem) { // cut within a character
		stem = stem[:len(stem)-1]
	}
	return strings.TrimRight(stem, ". ") + ext
}

// namesTaken is the names given in one folder, folded as the laxest file system
// compares them, with the number that the next one like it gets.
type namesTaken map[string]int

// give is a name like the one given that nothing in the folder has yet.
func (t namesTaken) give(name string) string {
	first := foldSafe(name)
	n, taken := t[first]
	if !taken {
		t[first] = 2
		return name
	}
	ext := filepath.Ext(name)
	if len(ext) > 16 || ext == name {
		ext = ""
	}
	stem := strings.TrimSuffix(name, ext)
	for ; ; n++ {
		tail := fmt.Sprintf(" (%d)%s", n, ext)
		name = shorten(stem, maxSafeName-len(tail)) + tail
		if like := foldSafe(name); t[like] == 0 {
			t[first], t[like] = n+1, 2
			return name
		}
	}
}

// foldSafe is what names have in common that differ only in case, or in how their letters
// are composed.
func foldSafe(name string) string {
	runes := make([]rune, 0, len(name))
	for _, r := range name {
		runes = appendDecomposed(runes, r)
	}
	for i, r := range runes {
		least := r
		for f := unicode.SimpleFold(r); f != r; f = unicode.SimpleFold(f) {
			least = min(least, f)
		}
		runes[i] = least
	}
	return string(runes)
}
