// Package gf256 is the field of 256 elements in which the codes of CD and DVD
// are written: polynomials over {0, 1} modulo
//
//	x⁸ + x⁴ + x³ + x² + 1    (11Dh)
//
// An element is a byte, bit i being the coefficient of xⁱ. Addition and
// subtraction are both exclusive or and need no function. α = x = 02h is
// primitive: its powers α⁰ … α²⁵⁴ are all elements but zero.
//
// That the CD uses this field was read in working implementations; that the DVD
// uses it is from memory of ECMA-267 clause 18, not compared with its text.
//
// Products go through logarithms, α^(log a + log b). Zero has no logarithm; it
// gets a stand-in so large that every sum with it lands on a zero in the table
// of powers, so a product needs no branch.
package gf256

// Poly is the field's polynomial, x⁸ included.
const Poly = 0x11D

const (
	order   = 255       // α^order = 1
	logZero = 2 * order // above every sum of two true logarithms, 508 at most
	powers  = 1024      // a power of two above 2·logZero, so that a mask bounds the index
)

// tables holds the powers of α and their logarithms, from the polynomial.
type tables struct {
	exp [powers]byte // exp[i] = α^i below logZero, zero from there on
	log [256]uint16
}

var field = makeTables()

func makeTables() (t tables) {
	x := 1
	for i := range order {
		t.exp[i], t.exp[i+order] = byte(x), byte(x)
		t.log[x] = uint16(i)
		if x <<= 1; x > 0xFF {
			x ^= Poly
		}
	}
	t.log[0] = logZero
	return t
}

// Mul is the product of a and b.
func Mul(a, b byte) byte {
	return field.exp[(field.log[a]+field.log[b])%powers]
}

// Div is a divided by b. Nothing can be divided by zero; Div then is 0, and who
// may meet that asks first.
func Div(a, b byte) byte { return Mul(a, Inv(b)) }

// Inv is the element whose product with a is 1. Zero has none; Inv(0) is 0.
func Inv(a byte) byte {
	if a == 0 {
		return 0
	}
	return field.exp[order-field.log[a]]
}

// Exp is α to the power n, for any n, negative ones included.
func Exp(n int) byte {
	if n %= order; n < 0 {
		n += order
	}
	return field.exp[n]
}

// Log is the n from 0 to 254 with α^n = a. Zero has none; Log(0) is -1.
func Log(a byte) int {
	if a == 0 {
		return -1
	}
	return int(field.log[a])
}

// Products is the table of c times every element, for those who multiply by one
// constant often.
func Products(c byte) (t [256]byte) {
	for a := range t {
		t[a] = Mul(c, byte(a))
	}
	return t
}
