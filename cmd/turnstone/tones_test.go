package main

import (
	"encoding/json"
	"math"
	"slices"
	"testing"
)

// listen has the page's tones played into memory by the browser, and tells of each the
// pitch of every 20 ms, in hertz by the crossings of zero; 0: silence.
const listen = `import('/tones.js').then(async ({ play }) => {
	const rate = 44100, step = rate / 50, heard = {};
	for (const kind of ['stalled', 'done', 'come']) {
		const context = new OfflineAudioContext(1, 2 * rate, rate);
		play(context, kind);
		const wave = (await context.startRendering()).getChannelData(0);
		heard[kind] = [];
		for (let at = 0; at + step <= wave.length; at += step) {
			const part = wave.subarray(at, at + step);
			let first = -1, last = -1, n = 0;
			for (let i = 1; i < part.length; i++) {
				if (part[i - 1] < 0 && part[i] >= 0) { if (first < 0) first = i; else n++; last = i; }
			}
			heard[kind].push(Math.max(...part) < 0.05 || n < 1 ? 0 : n * rate / (last - first));
		}
	}
	window.heard = JSON.stringify(heard);
})`

// The three tones sound, and are told apart by their number of notes and where these go.
// What they should be is the page's own choice: down twice, up, the same twice.
func TestTonesSound(t *testing.T) {
	t.Parallel()
	jobs, a, _ := demoBench(t)
	s := serve(t, jobs, "--drive", a)
	w := openBrowser(t, 800, 600)
	w.open(s.url)
	w.is(listen + `, true`)
	w.await("window.heard")
	text, err := evaluate[string](w, "window.heard")
	if err != nil {
		t.Fatal(err)
	}
	var heard map[string][]float64
	if err := json.Unmarshal([]byte(text), &heard); err != nil {
		t.Fatal(err)
	}
	for kind, want := range map[string][]float64{
		"stalled": {330, 247, 330, 247},
		"done":    {523, 659, 784},
		"come":    {587, 0, 587},
	} {
		if got := notesIn(heard[kind]); !slices.EqualFunc(got, want, near) {
			t.Errorf("the tone for %s has notes of %.0f Hz; want %v", kind, got, want)
		}
	}
	w.quiet()
}

// near allows a pitch that was measured in 20 ms 3 per cent; a semitone is 6.
func near(a, b float64) bool { return math.Abs(a-b) <= 0.03*b }

// notesIn is the notes of pitches in a row: what lasts 60 ms at least. Silence before and
// after is none, nor is what is cut in two by a note's end.
func notesIn(pitches []float64) (notes []float64) {
	for i := 0; i < len(pitches); {
		n := 1
		for i+n < len(pitches) && (pitches[i] == 0) == (pitches[i+n] == 0) && near(pitches[i], pitches[i+n]) {
			n++
		}
		if n >= 3 && (len(notes) == 0 || !near(notes[len(notes)-1], pitches[i])) {
			notes = append(notes, pitches[i])
		}
		i += n
	}
	for len(notes) > 0 && notes[0] == 0 {
		notes = notes[1:]
	}
	for len(notes) > 0 && notes[len(notes)-1] == 0 {
		notes = notes[:len(notes)-1]
	}
	return notes
}
