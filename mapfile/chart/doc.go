// Package chart draws the damage map of a case: the disc to scale, by radius and
// angle, with what is in the image and which round won it, what is missing, and
// what was not asked for yet; the estimated damage itself; and what each pass,
// round and drive brought. It draws what it is given and estimates nothing.
//
//	map, disc, view ──Of──► Picture ─┬─ Sheets ──► SVG in true mm, PNG
//	field, marks, material ──────────┘─ Text    ──► terminal
//	                                 └─ JSON    ──► the numbers
//
// # How places are drawn
//
// The disc is seen from the reading side unless a view says otherwise. Package
// spiral's angles grow clockwise there, since the disc turns counter-clockwise
// over the head (ECMA-267 10.6.4 and 14 [memory]); angle 0 is drawn at 12 o'clock,
// and a view's Turn turns the picture on clockwise. The label side is the mirror
// of it, left for right:
//
//	reading side   clockwise from 12 o'clock =   angle + turn
//	label side                               = −(angle + turn)
//
// # How shares are drawn
//
// A cell is half a millimetre of radius and a 240th of a turn, some hundred turns
// of the track. Within each cell the states lie one above the other from the inside
// out, each as high as its share of the cell's sectors, so that areas on the paper
// are shares of sectors:
//
//	outer edge of the band  ┌────────────────────────┐
//	missing                 │▓▓▓▓▓▓▓▓▓▓▓▓▓▓▓▓▓▓▓▓▓▓▓▓│  its share, never below thinnest
//	not asked yet           │                        │
//	won by later rounds     │╱╱╱╱╱╱╱╱╱╱╱╱╱╱╱╱╱╱╱╱╱╱╱╱│
//	won by most             │░░░░░░░░░░░░░░░░░░░░░░░░│
//	inner edge              └────────────────────────┘
//
// So damage that takes a part of the sectors shows as lines that swell where more
// are missing, and one missing sector stays visible as the thinnest line. Shares
// are not sampled: each run of sectors is cut at the bands' edges and spread over
// the angles that it passes, exactly but for the even density that is assumed
// within one band (the radius changes by 2 % at most).
//
// A block of a DVD is 82 mm of track: where one place of the surface stops a
// block, all of its arc is missing. The picture of what is in the image shows that;
// the picture of the estimated damage shows the place.
package chart
