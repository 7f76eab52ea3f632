package plan

// effort is what retries have been worth of late: blocks that came only with some,
// and blocks that failed in spite of them. Once they do not pay none are asked for, so that
// nothing shows any more that they would; what failed is asked for with all of them later
// (deeper.go).
type effort struct{ helped, vain float64 }

const (
	effortHelped, effortVain = .4, 4 // a guess to begin with: if the first six are in vain it pays no more in this pass
	effortMemory             = 200   // blocks
	leastHelp                = .04   // share that came, under which retries cost more than coming back for those few
	mostHelp                 = .5    // share from which on they are asked for whatever a block is expected to do: .2 to .7 do as well
)

func newEffort() effort { return effort{effortHelped, effortVain} }

func (e *effort) note(helped bool) {
	e.helped *= 1 - 1./effortMemory
	e.vain *= 1 - 1./effortMemory
	if helped {
		e.helped++
	} else {
		e.vain++
	}
}

// pays tells whether to ask with retries at all.
func (e *effort) pays() bool { return e.helped >= leastHelp*(e.helped+e.vain) }

// mostly tells whether of the blocks that did not come at once most came with retries. Then
// no run that is chosen is asked for without: what fails for want of retries teaches that the
// surface is bad where the drive is only weak.
func (e *effort) mostly() bool { return e.helped >= mostHelp*(e.helped+e.vain) }
