package sim

import "math"

// The functions here exist although package math has them: some machines have
// math's in assembly, with another last bit, and a compiler may fuse x*y + z into
// one rounding where the machine can. A conversion of the product forbids that
// (Go specification, "Floating-point operators"), and is written wherever a
// product is added to something in this package. Square roots, floors and
// divisions are exact by IEEE 754 everywhere.

// exp is e^x to about one part in 10^15: x = k·ln 2 + r, and e^r as a quotient of
// polynomials (the method of FreeBSD's e_exp.c, as in package math). Below −700
// it is 0.
func exp(x float64) float64 {
	const (
		log2e = 1.44269504088896338700
		ln2hi = 6.93147180369123816490e-01
		ln2lo = 1.90821492927058770002e-10
		p1    = 1.66666666666666657415e-01
		p2    = -2.77777777770155933842e-03
		p3    = 6.61375632143793436117e-05
		p4    = -1.65339022054652515390e-06
		p5    = 4.13813679705723846039e-08
	)
	if x < -700 {
		return 0
	}
	k := math.Floor(float64(x*log2e) + 0.5)
	hi := x - float64(k*ln2hi)
	lo := float64(k * ln2lo)
	r := hi - lo
	t := r * r
	c := p4 + float64(t*p5)
	c = p3 + float64(t*c)
	c = p2 + float64(t*c)
	c = p1 + float64(t*c)
	c = r - float64(t*c)
	y := 1 - ((lo - float64(r*c)/(2-c)) - hi)
	return math.Ldexp(y, int(k))
}

// log is the natural logarithm of x > 0 (the method of FreeBSD's e_log.c).
func log(x float64) float64 {
	const (
		ln2hi = 6.93147180369123816490e-01
		ln2lo = 1.90821492927058770002e-10
		l1    = 6.666666666666735130e-01
		l2    = 3.999999999940941908e-01
		l3    = 2.857142874366239149e-01
		l4    = 2.222219843214978396e-01
		l5    = 1.818357216161805012e-01
		l6    = 1.531383769920937332e-01
		l7    = 1.479819860511658591e-01
	)
	f, e := math.Frexp(x)
	if f < math.Sqrt2/2 {
		f *= 2
		e--
	}
	f--
	k := float64(e)
	s := f / (2 + f)
	s2 := s * s
	s4 := s2 * s2
	t1 := l5 + float64(s4*l7)
	t1 = l3 + float64(s4*t1)
	t1 = float64(s2 * (l1 + float64(s4*t1)))
	t2 := l4 + float64(s4*l6)
	t2 = float64(s4 * (l2 + float64(s4*t2)))
	half := float64(0.5 * f * f)
	tail := float64(s*(half+t1+t2)) + float64(k*ln2lo)
	return float64(k*ln2hi) - ((half - tail) - f)
}

// sincos is sine and cosine of an angle in turns from 0 to 1 (polynomials of the
// Cephes library, as in package math).
func sincos(turns float64) (sin, cos float64) {
	const (
		s0, s1, s2 = 1.58962301576546568060e-10, -2.50507477628578072866e-8, 2.75573136213857245213e-6
		s3, s4, s5 = -1.98412698295895385996e-4, 8.33333333332211858878e-3, -1.66666666666666307295e-1
		c0, c1, c2 = -1.13585365213876817300e-11, 2.08757008419747316778e-9, -2.75573141792967388112e-7
		c3, c4, c5 = 2.48015872888517045348e-5, -1.38888888888730564116e-3, 4.16666666666665929218e-2
	)
	quarter := math.Floor(float64(4*turns) + 0.5)
	z := float64((float64(4*turns) - quarter) * (math.Pi / 2))
	w := z * z
	s := s1 + float64(w*s0)
	s = s2 + float64(w*s)
	s = s3 + float64(w*s)
	s = s4 + float64(w*s)
	s = s5 + float64(w*s)
	s = z + float64(z*w*s)
	c := c1 + float64(w*c0)
	c = c2 + float64(w*c)
	c = c3 + float64(w*c)
	c = c4 + float64(w*c)
	c = c5 + float64(w*c)
	c = (1 - float64(0.5*w)) + float64(w*w*c)
	switch int(quarter) & 3 {
	case 0:
		return s, c
	case 1:
		return c, -s
	case 2:
		return -s, -c
	}
	return -c, s
}

// atan is the arc tangent of x from 0 to infinity (Cephes, as in package math).
func atan(x float64) float64 {
	const (
		tan3pio8 = 2.41421356237309504880
		lost     = 6.123233995736765886130e-17 // of Pi/2 in float64
	)
	switch {
	case x <= 0.66:
		return atanSmall(x)
	case x > tan3pio8:
		return math.Pi/2 - atanSmall(1/x) + lost
	}
	return math.Pi/4 + atanSmall((x-1)/(x+1)) + 0.5*lost
}

func atanSmall(x float64) float64 {
	const (
		p0, p1, p2 = -8.750608600031904122785e-01, -1.615753718733365076637e+01, -7.500855792314704667340e+01
		p3, p4     = -1.228866684490136173410e+02, -6.485021904942025371773e+01
		q0, q1, q2 = +2.485846490142306297962e+01, +1.650270098316988542046e+02, +4.328810604912902668951e+02
		q3, q4     = +4.853903996359136964868e+02, +1.945506571482613964425e+02
	)
	z := float64(x * x)
	p := p1 + float64(p0*z)
	p = p2 + float64(p*z)
	p = p3 + float64(p*z)
	p = p4 + float64(p*z)
	q := q0 + z
	q = q1 + float64(q*z)
	q = q2 + float64(q*z)
	q = q3 + float64(q*z)
	q = q4 + float64(q*z)
	return float64(x*(z*p/q)) + x
}

// cover is the share of a disc of radius 1 that lies on one side of a straight
// line at distance u from its centre: 0 at −1 or below, 1 at 1 or above.
func cover(u float64) float64 {
	if u >= 1 {
		return 1
	}
	if u <= -1 {
		return 0
	}
	a := math.Abs(u)
	h := math.Sqrt((1 - a) * (1 + a))
	share := (float64(a*h) + atan(a/h)) / math.Pi
	if u < 0 {
		share = -share
	}
	return 0.5 + share
}

// lens is the share of a disc of radius r that another of radius q covers, whose
// centre lies at distance d.
func lens(d, r, q float64) float64 {
	switch {
	case d >= r+q:
		return 0
	case d <= q-r:
		return 1
	case d <= r-q:
		return q * q / (r * r)
	}
	// The common chord lies at distance x from the centre of r, and y from q's.
	rr, qq, dd := float64(r*r), float64(q*q), float64(d*d)
	x := (dd + (rr - qq)) / (2 * d)
	y := d - x
	return cover(-x/r) + float64(cover(-y/q)*(qq/rr))
}

// never is the number of standard deviations beyond which chance takes a normal
// draw for impossible: the uniform numbers that stand behind the draws have 52
// bits, and can't be that small.
const never = 8.3

// chance is the chance that a standard normal draw is below z, right to
// 2 parts in 10^15 of one, and to one in 10^8 of itself: J. F. Hart et al., Computer Approximations (1968), algorithm
// 5666 for the error function, in the form of G. West, Wilmott Magazine, May 2005
// [memory for both]. It is 0 below −never and 1 above never.
func chance(z float64) float64 {
	a := math.Abs(z)
	tail := 0.0
	switch {
	case a > never:
	case a < 7.07106781186547:
		n := 0.700383064443688 + float64(3.52624965998911e-02*a)
		n = 6.37396220353165 + float64(n*a)
		n = 33.912866078383 + float64(n*a)
		n = 112.079291497871 + float64(n*a)
		n = 221.213596169931 + float64(n*a)
		n = 220.206867912376 + float64(n*a)
		d := 1.75566716318264 + float64(8.83883476483184e-02*a)
		d = 16.064177579207 + float64(d*a)
		d = 86.7807322029461 + float64(d*a)
		d = 296.564248779674 + float64(d*a)
		d = 637.333633378831 + float64(d*a)
		d = 793.826512519948 + float64(d*a)
		d = 440.413735824752 + float64(d*a)
		tail = exp(-0.5*a*a) * n / d
	default:
		f := a + 0.65
		for k := 4.0; k >= 1; k-- {
			f = a + k/f
		}
		tail = exp(-0.5*a*a) / f / 2.506628274631
	}
	if z > 0 {
		return 1 - tail
	}
	return tail
}
