// Package marks finds the marks of a disc's surface in how its blocks fared: where
// scratches, arcs, blots and hazy regions lie, what each of them costs, and what became
// of them from round to round. It is pure, and knows no drive.
//
//	map ──After──► Sights ──Calibrate──► Disc ──┬─ Find ────► marks
//	(by round)                          ▲       └─ Damage ──► loss by radius and angle
//	                                    └─ Across: the layers
//
// # Angles
//
// A disc's tolerances leave the turns of a block open by one per cent, so the nominal
// track loses the angle within a hundred turns. Two numbers a layer, the blocks of a
// turn where it begins and where it ends, are fitted to how well failures line up
// (calibrate.go). That brings the angles of neighbouring turns together: over some
// hundred turns they hold to a degree.
//
// Over the disc they drift. A mark shows over some tenths of a millimetre of radius,
// and says no more than that its blocks keep to an angle there; whether another mark,
// millimetres away, stands at the same angle hangs on the number of turns between them
// alone, thousands, of which a hundredth must be right. Where marks run aslant this is
// off by more than that. So Angles says how far places that lie apart in radius may be
// turned against each other, by how far the fit moves when a part of the marks is left
// out; and Sway in which ways, so that some marks which a person sees on the disc bend
// the angles right (chart.FitTurn).
//
// At which angle a second layer begins nothing tells but what lies under both: a scratch
// stops the one and the other at the same place. Where marks at enough radii agree on how
// the layers stand to each other, and on nothing else nearly as well, Across says so, and
// Brought brings the second layer's angles to the first's, drift and all (across.go). One
// or two marks in both agree on anything, and say nothing.
//
// # Marks
//
// A block that came clears the surface under it, but for a burst at either end that the
// code makes up for; sectors that came of a failed block clear theirs whole (grid.go).
// What no block cleared, ring by ring, with edges that go on, is the course of a mark
// (course.go). The course that explains most of the failed blocks is taken first, then
// the one that explains most of the rest, until no one explains enough (find.go): so
// what is only the shadow of marks is left out. Of what is left then, marks that stop
// most but not all are looked for in the same way, and regions in which many fail.
//
// A ring shows where a mark begins and ends no better than its own blocks happen to begin
// and end, and at some radii they do so at the same two or three angles for many turns; and
// another mark on its way cuts one in two. So what was found is held against strips, marks
// with straight edges (strip.go): an edge lies where the blocks of all its rings agree best
// (edge.go, ground.go). What one strip suits as well as two becomes one mark, and one whose
// width jumps, where marks have grown together, becomes two (whole.go). Of marks side by
// side at one radius, all that lies between them nearer than a block is long goes unseen.
// What is narrower than a burst, and explains next to nothing beside the larger marks, once
// these are whole, is none (shadow.go).
//
// In a later round what came in earlier ones tells of the surface as it was then. Of what
// it leaves unexplained marks are looked for by what was asked for on this surface alone:
// those are new (fresh.go).
//
// What a mark costs is the missing sectors of the blocks that it explains. A block that
// several marks would stop counts with the first of them.
package marks
