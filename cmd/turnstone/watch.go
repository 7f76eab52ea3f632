package main

import (
	"context"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"turnstone/device/sector"
	"turnstone/imager"
)

// watching is what files is asked to cut or note, beside the listing.
type watching struct {
	peek    string // a folder for clips
	watch   string // a playlist
	watched string // yes or no
	by      string
}

// check is a usage error for what does not go together.
func (w watching) check(other bool) error {
	asked := 0
	for _, s := range []string{w.peek, w.watch, w.watched} {
		if s != "" {
			asked++
		}
	}
	switch {
	case asked > 1 || asked > 0 && other:
		return usagef("--peek, --watch and --watched are each said alone")
	case w.watched != "" && w.watched != "yes" && w.watched != "no":
		return usagef("--watched %q: say yes or no", w.watched)
	case w.by != "" && w.watched == "":
		return usagef("--by says who watched: it goes with --watched")
	}
	return nil
}

// asked tells whether there is anything.
func (w watching) asked() bool { return w != watching{} }

func (w watching) do(dir string, s streams) error {
	if w.watched != "" {
		return noteWatched(dir, w.watched == "yes", w.by, s)
	}
	return w.cut(dir, s)
}

// noteWatched records in the case that somebody watched.
func noteWatched(dir string, yes bool, by string, s streams) (err error) {
	if by, err = plainText("--by", by); err != nil {
		return err
	}
	c, err := imager.Open(dir, writer())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, c.Close()) }()
	if err := c.Watched(yes, by); err != nil {
		return err
	}
	tell(s.Out, "Noted: %s.\n", imager.WatchedInWords(*c.Map().Watched()))
	return nil
}

// sinceWatched is how much came since the films were watched.
func sinceWatched(came int64) string {
	if came <= 0 {
		return ""
	}
	return fmt.Sprintf("; %s came since", sectors(came))
}

// cut cuts clips: of each film for a look, or of what is worth watching.
func (w watching) cut(dir string, s streams) (err error) {
	clips, list := w.peek, ""
	if w.watch != "" {
		list, clips = w.watch, strings.TrimSuffix(w.watch, filepath.Ext(w.watch))+"-clips"
		if _, err := os.Lstat(list); !errors.Is(err, fs.ErrNotExist) {
			return usagef("%s: there is something of that name already; name a new playlist", list)
		}
	}
	files, err := imager.OpenFiles(dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, files.Close()) }()
	ctx, stop := untilInterrupted(s.Err)
	defer stop()
	films, err := filmsToCut(ctx, files, list != "", s)
	if err != nil {
		return interruptedBy(ctx, err, "nothing was cut", s)
	}
	places, skipped, err := files.Peek(films)
	if list != "" {
		places, skipped, err = files.WorthWatching(films)
	}
	if err != nil {
		return err
	}
	tell(s.Out, "%s", skippedInWords(skipped))
	if len(places) == 0 {
		tell(s.Out, "There is no film in the image that clips can be cut of.\n")
		rottenFound(files, dir, s)
		return nil
	}
	switch err := files.WriteClips(ctx, clips, places); {
	case errors.Is(err, imager.ErrFolderTaken):
		return usageError{err.Error()}
	case err != nil:
		return interruptedBy(ctx, err, "what has its name in "+clips+" is whole", s)
	}
	if list == "" {
		tell(s.Out, "Into %s: %s, of %s.\n", clips, clipsInWords(places), filmsCut(places))
		rottenFound(files, dir, s)
		return nil
	}
	if err := writePlaylist(list, clips, places); err != nil {
		return err
	}
	tell(s.Out, "%s: %s.\n%sWatch %s, and note it: turnstone files %s --watched yes --by NAME\n",
		list, placesInWords(places), whyInWords(places), list, shellWord(dir))
	rottenFound(files, dir, s)
	return nil
}

// filmsToCut is the films that clips are cut of: the wanted ones where only they matter.
func filmsToCut(ctx context.Context, files *imager.Files, wantedOnly bool, s streams) ([]imager.Film, error) {
	if files.Lost() {
		if err := findByContent(ctx, files, s); err != nil {
			return nil, err
		}
	}
	if wantedOnly && files.Choosy() {
		wanted, err := files.WantedFiles()
		if err != nil {
			return nil, err
		}
		return wantedFilms(files, wanted), nil
	}
	return files.Films()
}

func skippedInWords(skipped []imager.Skipped) string {
	var b strings.Builder
	for _, x := range skipped {
		fmt.Fprintf(&b, "Left out: %s; %s.\n", shown(x.Film.Name()), x.Why)
	}
	return b.String()
}

func filmsCut(places []imager.Place) string {
	seen := map[*imager.Film]bool{}
	for _, p := range places {
		seen[p.Film] = true
	}
	return filesInWords(len(seen), "film")
}

func clipsInWords(places []imager.Place) string {
	return fmt.Sprintf("%s, %s", filesInWords(len(places), "clip"), together(places))
}

// placesInWords is so many places and how long they take to watch.
func placesInWords(places []imager.Place) string {
	return fmt.Sprintf("%s, %s", filesInWords(len(places), "place"), together(places))
}

// together is how long the clips last, in minutes and seconds.
func together(places []imager.Place) string {
	var all time.Duration
	for _, p := range places {
		all += p.Clip.Length
	}
	s := int64((all + time.Second/2) / time.Second)
	if s < 60 {
		return fmt.Sprintf("%d s", s)
	}
	return fmt.Sprintf("%d min %d s", s/60, s%60)
}

// whyInWords is how many places there are of each kind.
func whyInWords(places []imager.Place) string {
	var n [3]int
	for _, p := range places {
		n[p.Why]++
	}
	var parts []string
	for _, k := range []struct {
		n         int
		one, many string
	}{{n[imager.PlaceGap], "around a gap", "around gaps"}, {n[imager.PlaceJoin], "where rounds join", "where rounds join"}, {n[imager.PlaceSample], "as a sample", "as samples"}} {
		switch {
		case k.n == 1:
			parts = append(parts, "1 "+k.one)
		case k.n > 1:
			parts = append(parts, sector.Thousands(int64(k.n))+" "+k.many)
		}
	}
	return upper(strings.Join(parts, ", ")) + ".\n"
}

// playlist is a playlist in XSPF version 1, the open format of xspf.org that players
// take.
type playlist struct {
	XMLName xml.Name `xml:"http://xspf.org/ns/0/ playlist"`
	Version int      `xml:"version,attr"`
	Title   string   `xml:"title"`
	Tracks  []track  `xml:"trackList>track"`
}

type track struct {
	Location string `xml:"location"` // from the playlist's folder on
	Title    string `xml:"title"`
	Duration int64  `xml:"duration"` // milliseconds
}

// writePlaylist lists clips in a folder beside the playlist.
func writePlaylist(name, clips string, places []imager.Place) error {
	p := playlist{Version: 1, Title: "What is worth watching: " + placesInWords(places)}
	for _, x := range places {
		at := url.URL{Path: filepath.Base(clips) + "/" + x.File}
		p.Tracks = append(p.Tracks, track{at.String(), fmt.Sprintf("%s at %s: %s", strings.ToValidUTF8(x.Film.Name(), "?"), playTime(x.At), x.Why), x.Clip.Length.Milliseconds()})
	}
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.WriteString(f, xml.Header)
	if err == nil {
		e := xml.NewEncoder(f)
		e.Indent("", "  ")
		err = errors.Join(e.Encode(p), e.Close())
	}
	if err == nil {
		_, err = io.WriteString(f, "\n")
	}
	return errors.Join(err, f.Close())
}
