// Package spiral says where on a disc a sector lies, and which sectors lie at a
// place: the geometry of the track for CD, DVD and BD. It is arithmetic only.
//
// # The track
//
// Every length is in millimetres, every angle in turns. The track is one spiral
// on each layer, of even pitch p and with sectors of even length L along it. It
// begins at radius r0, the inner edge of the data zone:
//
//	          ┌ hole 7.5   ┌ r0            ┌ r(n)                 ┌ edge 60
//	spindle ──┼────────────┼───────────────┼──────────────────────┤
//	                       └─ t(n) turns of p each ─┘
//
//	area of n sectors   π (r² − r0²) = n·L·p
//	radius              r(n) = √(r0² + n·L·p/π)
//	turn                t(n) = (r(n) − r0)/p
//	on the plane        x = r·cos 2πt,  y = r·sin 2πt
//
// The turn is a real number; its fraction is the angle. Angle 0 is where sector
// 0 begins, and angles grow along the track: clockwise as seen from the reading
// side, because the disc turns counter-clockwise over the head (ECMA-267 10.6.4
// and 14 [memory]).
//
// # Layers
//
// Sectors are counted through the layers. On opposite track path (two layers of
// a DVD; BD) each layer begins where the one before it ended, and runs the other
// way while the disc goes on turning, so that t grows on:
//
//	layer 0   r0 ──────────────▶ r1        r = √(r0² + n·L·p/π)
//	layer 1   r2 ◀────────────── r1        r = √(r1² − k·L·p/π),  t = t1 + (r1 − r)/p
//
// k counts from the layer's first sector. On parallel track path each layer
// begins anew at r0 and turn 0. At which angle the second layer of a real disc
// begins is not tied to the first by anything that this package knows of.
//
// # Wander
//
// Optionally the pitch swings with the radius, as a cutting machine's feed may:
//
//	p(t) = p + a·sin(2π(p·t/λ + phase))
//
// with amplitude a and length λ. The sine runs over p·t, the way from r0 that the
// even spiral would have made, which differs from the true one by about a·λ/(2πp):
// one µm where a is one nm and λ 5 mm. On a layer that runs inwards the sine runs
// back, so that it stays one of the radius. Radius and length of the track have
// closed forms in t then; t from a sector takes one step from the even spiral's, by
// a series.
//
// # Sources
//
// Constants name their standard. None of the standards was read for them: values
// are taken as secondary literature reports them, and "[memory]" beside a value
// means that not even that was at hand. A disc's true pitch and density differ
// from the nominal ones within the tolerances. On a DVD that moves radii by up to
// 0.6 mm at the outside, and loses the angle within some hundred turns.
package spiral
