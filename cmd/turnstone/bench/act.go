package bench

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"turnstone/imager"
	"turnstone/mapfile"
)

// order is what a page wants done. What an action does not need is left out.
type order struct {
	Case      string `json:"case"`
	Drive     string `json:"drive"`
	Treatment string `json:"treatment"` // "" : none; several with ;
	Sure      bool   `json:"sure"`      // the question before what can't be undone was answered
	ToTheEnd  bool   `json:"to_the_end"`
	Again     bool   `json:"again"`
	Name      string `json:"name"`  // of a new case
	Crack     string `json:"crack"` // yes or no
	Fragile   string `json:"fragile"`
	List      int    `json:"list"`  // of which listing the files are
	Files     []int  `json:"files"` // none: everything
	Question  int    `json:"question"`
	Yes       bool   `json:"yes"`
}

// reply is what became of it.
type reply struct {
	Said     string   `json:"said,omitempty"`
	Ask      string   `json:"ask,omitempty"`   // a question to be answered first; nothing was done
	Error    string   `json:"error,omitempty"` // why nothing was done
	Cautions []string `json:"cautions,omitempty"`
	Case     string   `json:"case,omitempty"` // ID of the case that was made
}

// actions are what a page can have done. None takes a path, and none runs a program.
func (b *Bench) actions() map[string]func(order) (reply, error) {
	return map[string]func(order) (reply, error){
		"new": b.makeNew, "read": b.read, "stop": b.stop, "round": b.round, "want": b.want, "inspect": b.inspect, "answer": b.answer,
		"prove": b.prove,
	}
}

// mostBody bounds what a page sends, in bytes.
const mostBody = 16 << 10

// serveAction does what a page wants done.
func (b *Bench) serveAction(w http.ResponseWriter, r *http.Request) {
	do, ok := b.actions()[r.PathValue("what")]
	if !ok {
		refuse(w, http.StatusNotFound, "there is no such action")
		return
	}
	if kind, _, _ := strings.Cut(r.Header.Get("Content-Type"), ";"); kind != "application/json" {
		refuse(w, http.StatusUnsupportedMediaType, "an order is JSON")
		return
	}
	var o order
	dec := json.NewDecoder(http.MaxBytesReader(w, r.Body, mostBody))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&o); err != nil {
		if _, large := errors.AsType[*http.MaxBytesError](err); large {
			refuse(w, http.StatusRequestEntityTooLarge, "an order is small")
			return
		}
		refuse(w, http.StatusBadRequest, "that is no order")
		return
	}
	answer, err := do(o)
	if err != nil {
		answer = reply{Error: b.troubleFor(o, err)}
	}
	b.soon()
	writeJSON(w, http.StatusOK, answer)
}

// troubleFor is an error without paths of the bench.
func (b *Bench) troubleFor(o order, err error) string {
	text := b.Speech.Trouble(err)
	if c := b.shelf.of(o.Case); c != nil {
		text = pathless(text, c.dir)
	}
	text = nodeless(text, b.node(o.Drive))
	return strings.ReplaceAll(text, b.shelf.made, "the folder of the cases")
}

// Errors of orders.
var (
	errNoCase  = errors.New("that case is not here any more")
	errNoDrive = errors.New("that drive is not here any more")
	errReads   = errors.New("that drive reads for another job")
	errBusy    = errors.New("a pass runs on this job: stop it first, or wait until it is over")
	errList    = errors.New("the list of files has changed meanwhile: look again")
	errOver    = errors.New("that question is not asked any more")
)

func (b *Bench) caseOf(o order) (*shown, error) {
	if c := b.shelf.of(o.Case); c != nil {
		return c, nil
	}
	return nil, errNoCase
}

// makeNew makes a new case and reads the disc in a drive into it; a cracked one is not
// read.
func (b *Bench) makeNew(o order) (reply, error) {
	node := b.node(o.Drive)
	switch {
	case o.Crack == "yes":
	case node == "":
		return reply{}, errNoDrive
	case b.Runs.With(node) != nil:
		return reply{}, errReads
	}
	dir, err := b.shelf.fresh(o.Name)
	if err != nil {
		return reply{}, err
	}
	if o.Crack != "" || o.Fragile != "" {
		if err := b.Runs.Make(dir, func(c *imager.Case) error {
			return c.Inspected(mapfile.Seen{By: b.By, Crack: o.Crack, Fragile: o.Fragile})
		}); err != nil {
			return reply{}, err
		}
	}
	b.shelf.mu.Lock()
	c := b.shelf.add(dir)
	c.unborn = true
	b.shelf.mu.Unlock()
	if o.Crack == "yes" {
		return reply{Case: c.id, Said: c.job + " is noted as cracked, and will not be read."}, nil
	}
	if err := b.begin(c, node, imager.Reading{By: b.By}); err != nil {
		b.shelf.mu.Lock()
		c.unborn = false
		b.shelf.mu.Unlock()
		return reply{}, err
	}
	return reply{Case: c.id, Said: c.job + " begins."}, nil
}

// read opens a round, if the disc was treated, and starts a pass.
func (b *Bench) read(o order) (reply, error) {
	c, err := b.caseOf(o)
	if err != nil {
		return reply{}, err
	}
	node := b.node(o.Drive)
	switch {
	case node == "":
		return reply{}, errNoDrive
	case b.Runs.With(node) != nil: // before a round is opened for it
		return reply{}, errReads
	}
	var answer reply
	if o.Treatment != "" {
		if answer, err = b.round(o); err != nil || answer.Ask != "" {
			return answer, err
		}
	}
	if err := b.begin(c, node, imager.Reading{By: b.By, ToTheEnd: o.ToTheEnd, Again: o.Again}); err != nil {
		return reply{}, err
	}
	answer.Said += " It is read."
	answer.Said = strings.TrimSpace(answer.Said)
	return answer, nil
}

// stop ends the pass that this server runs on a case, and those that wait for it.
func (b *Bench) stop(o order) (reply, error) {
	c, err := b.caseOf(o)
	if err != nil {
		return reply{}, err
	}
	runs := b.Runs.On(c.dir)
	for _, r := range runs {
		r.Stop()
	}
	if len(runs) == 0 {
		return reply{Said: "No pass runs on it."}, nil
	}
	return reply{Said: "The pass ends; what came is saved."}, nil
}

// round opens a round.
func (b *Bench) round(o order) (reply, error) {
	c, err := b.caseOf(o)
	if err != nil {
		return reply{}, err
	}
	r := mapfile.Round{By: b.By}
	for typed := range strings.SplitSeq(o.Treatment, ";") {
		t, err := imager.ParseTreatment(typed)
		if err != nil {
			return reply{}, err
		}
		r.Treatments = append(r.Treatments, t)
	}
	var answer reply
	err = b.change(c, func(k *imager.Case) error {
		st := imager.StatusOf(k.Map())
		if doubt := b.Counsel.Doubt(r, st); doubt != "" && !o.Sure {
			answer.Ask = doubt
			return nil
		}
		n, err := k.OpenRound(r)
		answer.Said = fmt.Sprintf("Round %d: %s.", n, imager.TreatmentsInWords(r))
		answer.Cautions = b.Counsel.Cautions(r, st)
		return err
	})
	return answer, err
}

// want notes which files matter.
func (b *Bench) want(o order) (reply, error) {
	c, err := b.caseOf(o)
	if err != nil {
		return reply{}, err
	}
	c.mu.Lock()
	names, ok := pathsOf(c.detail.files, o.Files)
	stale := !ok || o.List != c.detail.list
	c.mu.Unlock()
	if stale && len(o.Files) > 0 {
		return reply{}, errList
	}
	err = b.change(c, func(k *imager.Case) error {
		_, err := k.Want(names)
		return err
	})
	if len(names) == 0 {
		return reply{Said: "Everything is wanted."}, err
	}
	return reply{Said: "Noted: done means these files now."}, err
}

// inspect notes what the eye saw.
func (b *Bench) inspect(o order) (reply, error) {
	c, err := b.caseOf(o)
	if err != nil {
		return reply{}, err
	}
	for _, word := range []string{o.Crack, o.Fragile} {
		if !slices.Contains([]string{"", "yes", "no"}, word) {
			return reply{}, errors.New("say yes or no")
		}
	}
	err = b.change(c, func(k *imager.Case) error {
		return k.Inspected(mapfile.Seen{By: b.By, Crack: o.Crack, Fragile: o.Fragile})
	})
	return reply{Said: "Noted."}, err
}

// answer answers a question that a pass waits for.
func (b *Bench) answer(o order) (reply, error) {
	c, err := b.caseOf(o)
	if err != nil {
		return reply{}, err
	}
	c.mu.Lock()
	sessions := slices.Clone(c.sessions)
	c.mu.Unlock()
	for _, s := range sessions {
		if s.desk.answer(o.Question, o.Yes) {
			return reply{Said: "Answered."}, nil
		}
	}
	return reply{}, errOver
}

// change does something to a case that takes a moment.
func (b *Bench) change(c *shown, do func(*imager.Case) error) error {
	err := b.Runs.Change(c.dir, do)
	if errors.Is(err, imager.ErrBusy) {
		return errBusy
	}
	if err == nil {
		c.mu.Lock()
		c.stamp, c.ended, c.proof = "", nil, nil
		c.mu.Unlock()
	}
	return err
}
