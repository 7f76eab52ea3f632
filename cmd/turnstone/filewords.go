package main

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"turnstone/device/sector"
	"turnstone/imager"
	"turnstone/imager/volume/tree"
)

// shown is text from a disc as it can be shown: what a terminal may obey, or what hides
// what stands beside it, is quoted.
func shown(text string) string {
	if strings.IndexFunc(text, func(r rune) bool { return !unicode.IsPrint(r) }) >= 0 || text != strings.ToValidUTF8(text, "") {
		return strconv.QuoteToGraphic(text)
	}
	return text
}

// filesInWords is so many files.
func filesInWords(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return sector.Thousands(int64(n)) + " " + what + "s"
}

// bytesInWords is an amount of data.
func bytesInWords(n int64) string {
	switch b := float64(n); {
	case n == 1:
		return "1 byte"
	case b < 999.5:
		return fmt.Sprintf("%d bytes", n)
	case b < 999.5e3:
		return fmt.Sprintf("%.0f kB", b/1e3)
	case b < 999.95e6:
		return fmt.Sprintf("%.1f MB", b/1e6)
	default:
		return fmt.Sprintf("%.2f GB", b/1e9)
	}
}

// tallyInWords says how many files are whole.
func tallyInWords(t imager.Tally) string {
	if t.Files == 0 {
		return "No files are listed."
	}
	var rest []string
	for _, p := range []struct {
		n    int
		what string
	}{{t.Damaged, "damaged"}, {t.Unknown, "unknown"}, {t.Disputed, "disputed"}} {
		if p.n > 0 {
			rest = append(rest, fmt.Sprintf("%s %s", sector.Thousands(int64(p.n)), p.what))
		}
	}
	s := fmt.Sprintf("%s of %s %s whole, %s of %s", sector.Thousands(int64(t.Whole)), filesInWords(t.Files, "file"), be(int64(t.Whole)),
		bytesInWords(t.There), bytesInWords(t.Bytes))
	switch {
	case t.Files == 1 && t.Whole == 1:
		s = fmt.Sprintf("The one file is whole, %s", bytesInWords(t.Bytes))
	case t.Files == 1:
		s = fmt.Sprintf("The one file is %s, %s of %s", strings.TrimPrefix(rest[0], "1 "), bytesInWords(t.There), bytesInWords(t.Bytes))
		rest = nil
	case t.Whole == t.Files:
		s = fmt.Sprintf("All %s whole, %s", filesAre(t.Files), bytesInWords(t.Bytes))
	case t.Whole == 0:
		s = fmt.Sprintf("None of %s is whole, %s of %s", filesInWords(t.Files, "file"), bytesInWords(t.There), bytesInWords(t.Bytes))
	}
	if len(rest) > 0 {
		s += "; " + strings.Join(rest, ", ")
	}
	if t.Partial > 0 {
		s += fmt.Sprintf("; %s listed in part or not at all", foldersAre(t.Partial))
	}
	return s + "."
}

func filesAre(n int) string {
	if n == 1 {
		return "1 file is"
	}
	return sector.Thousands(int64(n)) + " files are"
}

func foldersAre(n int) string {
	if n == 1 {
		return "1 folder is"
	}
	return sector.Thousands(int64(n)) + " folders are"
}

// systemInWords is a file system in a sentence.
func systemInWords(t tree.System) string {
	s := t.Kind.String()
	if t.Version != "" {
		s += " " + t.Version
	}
	if t.Session > 0 {
		s += fmt.Sprintf(" of the session at sector %s", sector.Thousands(int64(t.Session)))
	}
	if t.Label != "" {
		s += ", called " + shown(t.Label)
	}
	if t.Doubt != "" {
		s += "; uncertain: " + t.Doubt
	}
	return s + "."
}

// fileLine is a file in a line: name, size, how whole it is.
func fileLine(files *imager.Files, x imager.File) string {
	name := shown(x.Name)
	switch x.Kind {
	case tree.Folder:
		name += "/"
		if x.State != imager.FileWhole {
			name += "  " + x.Why
		}
		return name + byWords(x)
	case tree.Link:
		return name + "  a link to " + shown(x.Target)
	case tree.Other:
		return name + "  a device or the like"
	}
	return fmt.Sprintf("%s  %s", name, strings.Join(slices.DeleteFunc([]string{sizeOf(x), stateInWords(files, x)}, empty), ", ")) + byWords(x)
}

func empty(s string) bool { return s == "" }

func sizeOf(x imager.File) string {
	if x.Size == tree.UnknownSize {
		return ""
	}
	return bytesInWords(x.Size)
}

// stateInWords is how whole a file is.
func stateInWords(files *imager.Files, x imager.File) string {
	s := x.State.String()
	if x.State == imager.FileUnknown {
		s += ": " + x.Why
	}
	if x.MissingBytes > 0 {
		s += fmt.Sprintf(", %s there, %s missing%s", share(x.There(), max(1, x.There()+x.MissingBytes)), bytesInWords(x.MissingBytes), inPlaces(files, x))
	}
	if x.Disputed > 0 {
		s += fmt.Sprintf(", %s of it in conflict", sectors(x.Disputed))
	}
	return s
}

// mostPlaces is how many places are counted: of a disc that means mischief each file may
// have all holes of the image.
const mostPlaces = 10_000

// inPlaces is where, if there are several.
func inPlaces(files *imager.Files, x imager.File) string {
	n := 0
	for range files.Missing(x) {
		if n++; n > mostPlaces {
			return fmt.Sprintf(" in more than %s places", sector.Thousands(mostPlaces))
		}
	}
	if n == 1 {
		return ""
	}
	return fmt.Sprintf(" in %s places", sector.Thousands(int64(n)))
}

// byWords is who tells of an entry, where that is not the one that should.
func byWords(x imager.File) string {
	var s []string
	if x.StandsIn {
		s = append(s, "by "+x.From.String()+", which stands in for a lost entry")
	}
	switch x.Found {
	case tree.ShortName:
		s = append(s, "under a shortened name")
	case tree.PathTable:
		s = append(s, "by the path table")
	case tree.OwnRecord:
		s = append(s, "its own name is lost")
	}
	if len(s) == 0 {
		return ""
	}
	return " (" + strings.Join(s, "; ") + ")"
}

// them is the pronoun for so many.
func them(n int64) string {
	if n == 1 {
		return "it"
	}
	return "them"
}

// mostLacking is how many damaged files status tells of.
const mostLacking = 3

// filesStand closes status: how many files are whole, and what the worst and the films
// lack.
func filesStand(files *imager.Files) string {
	if files.Volume.Root == nil {
		return lookInWords(files)
	}
	wanted, err := files.WantedFiles()
	if err != nil {
		return ""
	}
	var all imager.Tally
	var worst []imager.File
	for x := range files.All() {
		if !wanted[x.Entry] {
			continue
		}
		all.Add(x)
		if x.Kind != tree.Regular || x.State == imager.FileWhole {
			continue
		}
		worst = append(worst, x)
		slices.SortStableFunc(worst, func(a, b imager.File) int { return int(min(1, max(-1, b.MissingBytes-a.MissingBytes))) })
		worst = worst[:min(len(worst), mostLacking)]
	}
	what := "Files: "
	if files.Choosy() {
		what = "Wanted files: "
	}
	s := what + tallyInWords(all) + "\n"
	for _, x := range worst {
		s += fmt.Sprintf("  %s  %s\n", shown(x.Path()), strings.Join(slices.DeleteFunc([]string{sizeOf(x), stateInWords(files, x)}, empty), ", "))
	}
	if n := all.Damaged + all.Unknown + all.Disputed - len(worst); n > 0 {
		s += fmt.Sprintf("  and %s more\n", sector.Thousands(int64(n)))
	}
	if films := wantedFilms(files, wanted); timed(films) {
		s += filmsStand(films) + "\n"
	}
	return s + lookInWords(files)
}
