package chart

import (
	"errors"
	"fmt"
	"math"
)

// Errors of FitTurn.
var (
	// ErrFewPlaces is returned when fewer than two places are given, none of which names
	// its mark: one fits any turn that brings any mark there.
	ErrFewPlaces = errors.New("two places at least are needed to turn the map")
	// ErrNoSide is returned when one place names its mark, and nothing tells from which
	// side the disc was looked at.
	ErrNoSide = errors.New("one mark turns the map only when it is said from which side the disc was looked at")
	// ErrNoFit is returned when no turn brings marks near to the places, all of them or,
	// where there are many, all but one in four.
	ErrNoFit = errors.New("no turn of the map brings marks to all of these places")
)

// Undecided is the error of FitTurn when two quite different fits bring marks to the
// places about as well: the better one, and its best rival.
type Undecided struct{ Best, Rival Fit }

func (u Undecided) Error() string {
	one := func(f Fit) string {
		return fmt.Sprintf("by %s° as seen from the %s, to within %s mm", decimal(f.Turn, 0), f.Side, decimal(f.Residual, 1))
	}
	more := "one more place decides, off the line of the others and far from them in radius"
	if u.Best.Side != u.Rival.Side {
		more += ", or from which side the disc was looked at"
	}
	return "it is undecided how the map is turned: " + one(u.Best) + "; or " + one(u.Rival) + "; " + more
}

// Sway is one way in which the angles of a map may be off: the turns by which those at
// a radius in mm are, as a standard deviation. Several of them are independent.
type Sway func(mm float64) float64

// Fit is how the map is turned so that its marks lie where they are seen.
type Fit struct {
	Side Side    // from which the disc is looked at, by what fits
	Turn float64 // degrees, from 0 up to and not including 360: the Turn of a view from that side
	// Sways are the deviations by which angles are off in each way in which they may be.
	Sways []float64
	// Places are those told, with the radius of the mark that they name where none was.
	Places []Place
	// Pairs are the marks that the places were taken for, by place; -1 where none of them
	// lies there.
	Pairs []int
	// Residual is the root of the mean square of the distances, in mm on the surface,
	// that are left between places and marks. A place that is taken to lie somewhere
	// along a wide mark is off in radius only.
	Residual float64
	// Spread is by how many degrees fits that are nearly as good differ from this one at
	// most, at the radius of any mark, where they are not quite others.
	Spread float64
	// Loose is by how many degrees this fit leaves angles open at the radius of some mark,
	// as a standard deviation: far from the places, or where they lie on wide marks.
	Loose float64
	// Doubtful tells that quite another turn, or the other side, fits nearly as
	// well: a third place, off the line of the others, decides.
	Doubtful bool

	turn float64 // Turn, in turns
	cost float64 // twice the logarithm by which it is less likely than one that is off nowhere
}

// FitTurn finds the turn by which the marks lie at the places where they are
// seen, and from which of some sides the disc is looked at. A place that names its mark,
// by its number in the list of marks from 1 on, is taken for that one; any other for one
// that nobody named, that does not go all the way round, since such a mark lies at no
// angle, and that is not aside. Where the map's own angles may be off in some ways, the
// places tell by how much they are, too. ErrFewPlaces, ErrNoSide, ErrNoFit, Undecided and
// Misnamed are returned.
func FitTurn(seen []Place, from []Side, marks []Mark, ways ...Sway) (Fit, error) {
	f := fitter{from: from, ways: ways, least: math.Inf(1)}
	if err := f.look(seen, marks); err != nil {
		return Fit{}, err
	}
	switch {
	case len(seen) == 0, len(seen) == 1 && seen[0].Mark == 0:
		return Fit{}, ErrFewPlaces
	case len(seen) == 1 && len(from) > 1:
		return Fit{}, ErrNoSide
	}
	f.sway(make([]float64, len(ways)), 0)
	best, rival := f.best()
	if math.IsInf(best.cost, 1) {
		return Fit{}, ErrNoFit
	}
	if err := f.misnamed(&best); err != nil {
		return Fit{}, err
	}
	best.Places, best.Loose = f.seen, f.loose(&best)
	best.Doubtful = rival.cost < best.cost+possible
	if rival.cost < best.cost+undecided {
		return Fit{}, Undecided{best, rival}
	}
	return best, nil
}
