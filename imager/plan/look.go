package plan

// Look is a plan to be looked at, not to be followed: Loss, Chance and Outlook say
// what the task's history tells of the surface, also where nothing is left to ask for.
func Look(t Task) *Plan {
	w := workOf(t)
	p := &Plan{work: w, surface: newByStretches(w.disc, w.fresh)}
	if legs := legsOf(&w.disc); legs != nil {
		p.place = newByPlace(&t, &w, legs)
		p.surface = p.place
	}
	return p
}
