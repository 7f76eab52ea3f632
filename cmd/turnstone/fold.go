package main

import (
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"unicode/utf8"
)

// widest is the longest line of prose, in columns, however wide the terminal: an
// eye that comes back from a longer one misses the next.
const widest = 100

// tell writes what people read: on a terminal folded at its width, elsewhere a
// line a sentence, as it is.
func tell(w io.Writer, format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	if f, ok := w.(*os.File); ok && isTerminal(f) {
		text = fold(text, min(width(f), widest+1)-1)
	}
	io.WriteString(w, text)
}

// fold breaks lines longer than n columns at their spaces, and indents what
// follows as the line is. A command stays whole: it is there to be copied.
func fold(text string, n int) string {
	lines := strings.Split(text, "\n")
	for i, line := range lines {
		words := strings.TrimLeft(line, " ")
		if utf8.RuneCountInString(line) > n && !strings.HasPrefix(words, "turnstone ") {
			lines[i] = foldLine(words, line[:len(line)-len(words)], n)
		}
	}
	return strings.Join(lines, "\n")
}

// foldLine is fold for one line, which begins with indent.
func foldLine(words, indent string, n int) string {
	var b strings.Builder
	at := 0 // columns of the line that is begun
	for _, word := range unbroken(words) {
		long := utf8.RuneCountInString(word)
		switch {
		case at == 0:
			b.WriteString(indent)
			at = len(indent)
		case at+1+long > n:
			b.WriteString("\n" + indent)
			at = len(indent)
		default:
			b.WriteByte(' ')
			at++
		}
		b.WriteString(word)
		at += long
	}
	return b.String()
}

// units are what stays on the line of the number in front of it.
var units = []string{"%", "B", "bytes", "kB", "MB", "GB", "kB/s", "MB/s", "s", "min", "h", "mm", "µm", "cm", "g"}

// unbroken is the words of a text, a number and its unit being one.
func unbroken(text string) (words []string) {
	for word := range strings.SplitSeq(text, " ") {
		if n := len(words); n > 0 && slices.Contains(units, strings.TrimRight(word, ".,;:)")) {
			if before := words[n-1]; before != "" && before[len(before)-1] >= '0' && before[len(before)-1] <= '9' {
				words[n-1] += " " + word
				continue
			}
		}
		words = append(words, word)
	}
	return words
}

// hang folds text that begins in a column, and lets what follows hang from it.
func hang(text string, column, n int) string {
	indent := strings.Repeat(" ", column)
	return strings.TrimPrefix(foldLine(text, indent, n), indent)
}
