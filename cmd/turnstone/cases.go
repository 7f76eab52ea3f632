package main

import (
	"cmp"
	"fmt"
	"io"
	"os"
	"strings"
	"time"
	"unicode/utf8"

	"turnstone/device/sector"
	"turnstone/imager"
)

// listCases is status on a folder of cases.
func listCases(dir string, asJSON bool, s streams) error {
	cases, err := imager.Cases(dir)
	if err != nil {
		return err
	}
	if asJSON {
		return printDocument(s.Out, struct {
			Cases []imager.Listed `json:"cases"`
		}{cases})
	}
	rows := [][]string{{"Case", "In the image", "Whole", "Last round", "Next"}}
	for _, l := range cases {
		rows = append(rows, caseRow(l))
	}
	writeTable(s.Out, rows)
	return nil
}

// caseRow is a case in a line.
func caseRow(l imager.Listed) []string {
	if l.Problem != "" {
		return []string{shown(l.Name), "can't be read: " + shown(l.Problem)}
	}
	next := "–"
	if l.InUse {
		next = "a pass runs now"
	} else if c := l.Status.Closing; c != nil {
		next = closingInShort(*c, time.Now())
	} else if do := besideFirst(l.Status, l.Next); len(do) > 0 {
		next = strings.TrimSuffix(do[0].What, ".")
	}
	return []string{shown(l.Name), thereInWords(l), wholeInWords(l), roundInShort(l.LastRound()), next}
}

// thereInWords is how much of what is wanted is in the image, or beside it.
func thereInWords(l imager.Listed) string {
	st := l.Status
	good, all := st.Wants()
	goodBeside, allBeside := st.FormTwo.Wants()
	good, all = good+goodBeside, all+allBeside
	switch {
	case st.Disc.Sectors == 0:
		return "not recognised yet"
	case st.Conflicts > 0:
		return fmt.Sprintf("%s, %s in conflict", share(good, all), sector.Thousands(st.Conflicts))
	case good < all:
		return fmt.Sprintf("%s, %s missing", share(good, all), sector.Thousands(all-good))
	}
	return "all of it"
}

// wholeInWords is how many films are whole, or files where there are no films.
func wholeInWords(l imager.Listed) string {
	switch t, f := l.Files, l.Films; {
	case t == nil:
		return "none known"
	case f.All > 0:
		return partOf(f.Whole, f.All, "film")
	default:
		return partOf(t.Whole, t.Files, "file")
	}
}

// partOf is "3 of 5 films".
func partOf(part, all int, what string) string {
	if all != 1 {
		what += "s"
	}
	return fmt.Sprintf("%s of %s %s", sector.Thousands(int64(part)), sector.Thousands(int64(all)), what)
}

// roundInShort is a round, and what opened it as far as it fits in a column.
func roundInShort(r imager.RoundStatus) string {
	if r.Round == 0 {
		return "0, as it came in"
	}
	const most = 28
	what := []rune(fmt.Sprintf("%d, %s", r.Round, cmp.Or(strings.Join(r.Treatments, "; "), "no treatment noted")))
	if len(what) > most {
		what = append(what[:most-1], '…')
	}
	return shown(string(what))
}

// writeTable writes rows in columns that are as wide as what stands in them; what stands
// last in a row takes what it needs. On a terminal that is narrower each row is a
// paragraph, in which the first row's titles stand beside what is below them.
func writeTable(w io.Writer, rows [][]string) {
	if f, ok := w.(*os.File); ok && isTerminal(f) && tableWidth(rows) > width(f) {
		tell(w, "%s", paragraphs(rows))
		return
	}
	widths := columns(rows)
	for _, row := range rows {
		var b strings.Builder
		for i, cell := range row {
			b.WriteString(cell)
			if i < len(row)-1 {
				b.WriteString(strings.Repeat(" ", widths[i]-utf8.RuneCountInString(cell)+2))
			}
		}
		fmt.Fprintln(w, b.String())
	}
}

// columns is how wide the columns of a table are, but for what stands last in a row.
func columns(rows [][]string) (widths []int) {
	for _, row := range rows {
		for i, cell := range row[:len(row)-1] {
			if i == len(widths) {
				widths = append(widths, 0)
			}
			widths[i] = max(widths[i], utf8.RuneCountInString(cell))
		}
	}
	return widths
}

// tableWidth is the length of a table's longest line.
func tableWidth(rows [][]string) (most int) {
	widths := columns(rows)
	for _, row := range rows {
		n := utf8.RuneCountInString(row[len(row)-1])
		for _, w := range widths[:len(row)-1] {
			n += w + 2
		}
		most = max(most, n)
	}
	return most
}

// paragraphs is a table's rows below its titles, a paragraph each.
func paragraphs(rows [][]string) string {
	var b strings.Builder
	titles := rows[0]
	for _, row := range rows[1:] {
		b.WriteString(row[0] + "\n")
		for i, cell := range row[1:] {
			if len(row) < len(titles) { // it is of no column
				fmt.Fprintf(&b, "  %s\n", cell)
				continue
			}
			fmt.Fprintf(&b, "  %s: %s\n", titles[i+1], cell)
		}
	}
	return b.String()
}
