package report

import (
	"errors"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Letterhead is what a workshop has to say on its customers' pages. The zero value is
// that of a workshop that says nothing: the page leaves room to write.
type Letterhead struct {
	Name    string   `json:"name"`
	Address []string `json:"address"` // lines
	Note    []string `json:"note"`    // paragraphs, below all the rest
}

// A letterhead is a text: the first line is the workshop's name, the lines after it,
// up to the first empty one, its address, and what follows a note, whose paragraphs
// have an empty line between them. For example
//
//	The Old Lighthouse, disc repairs
//	1 Invented Lane, Nowhere
//	mail@lighthouse.example
//
//	Bring this page when you have a question. We give advice on copies
//	for nothing.

// Limits of a letterhead: what fits on the page beside the rest.
const (
	letterheadBytes = 8 << 10
	addressLines    = 4
	letterheadLine  = 80  // letters
	noteLetters     = 400 // of all paragraphs
)

// ParseLetterhead reads a letterhead. The error says what is wrong with it, and in which
// line.
func ParseLetterhead(text []byte) (Letterhead, error) {
	var l Letterhead
	if len(text) > letterheadBytes {
		return l, fmt.Errorf("it has %d bytes, and a letterhead at most %d", len(text), letterheadBytes)
	}
	if !utf8.Valid(text) {
		return l, errors.New("it is no text in UTF-8")
	}
	whole := strings.TrimPrefix(string(text), "\ufeff") // some editors begin a text so
	whole = strings.ReplaceAll(whole, "\r\n", "\n")
	part, paragraph, letters := 0, []string{}, 0
	end := func() {
		if len(paragraph) > 0 {
			l.Note = append(l.Note, strings.Join(paragraph, " "))
			paragraph = nil
		}
	}
	for i, line := range strings.Split(whole, "\n") {
		line = strings.TrimSpace(strings.ReplaceAll(line, "\t", " "))
		if strings.IndexFunc(line, func(r rune) bool { return !unicode.IsPrint(r) }) >= 0 {
			return l, fmt.Errorf("line %d has a character that can't be shown", i+1)
		}
		n := utf8.RuneCountInString(line)
		switch {
		case part < 2 && n > letterheadLine:
			return l, fmt.Errorf("line %d is longer than %d letters", i+1, letterheadLine)
		case part == 0 && line != "": // empty lines ahead of the name say nothing
			l.Name, part = line, 1
		case part == 1 && line == "":
			part = 2
		case part == 1:
			if l.Address = append(l.Address, line); len(l.Address) > addressLines {
				return l, fmt.Errorf("line %d: the address has more than %d lines; the note begins behind an empty one", i+1, addressLines)
			}
		case part == 2 && line == "":
			end()
		case part == 2:
			paragraph = append(paragraph, line)
			if letters += n; letters > noteLetters {
				return l, fmt.Errorf("line %d: the note has more than %d letters", i+1, noteLetters)
			}
		}
	}
	end()
	return l, nil
}
