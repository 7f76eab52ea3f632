package gf256

import "testing"

// slowMul multiplies as at school: shifted sums, then the remainder by the
// polynomial. Everything else in this file rests on it.
func slowMul(a, b byte) byte {
	var p uint
	for i := range 8 {
		if b>>i&1 == 1 {
			p ^= uint(a) << i
		}
	}
	for i := 15; i >= 8; i-- {
		if p>>i&1 == 1 {
			p ^= 0x11D << (i - 8)
		}
	}
	return byte(p)
}

// all calls f for every element.
func all(f func(a byte)) {
	for a := range 256 {
		f(byte(a))
	}
}

func TestMulIsTheProductModuloThePolynomial(t *testing.T) {
	all(func(a byte) {
		row := Products(a)
		all(func(b byte) {
			want := slowMul(a, b)
			if got := Mul(a, b); got != want {
				t.Fatalf("Mul(%02X, %02X) = %02X; want %02X", a, b, got, want)
			}
			if row[b] != want {
				t.Fatalf("Products(%02X)[%02X] = %02X; want %02X", a, b, row[b], want)
			}
		})
	})
}

// TestLaws tries every pair and triple.
func TestLaws(t *testing.T) {
	all(func(a byte) {
		if Mul(a, 1) != a || Mul(a, 0) != 0 {
			t.Fatalf("Mul(%02X, 1), Mul(%02X, 0) = %02X, %02X; want %02X, 00", a, a, Mul(a, 1), Mul(a, 0), a)
		}
		all(func(b byte) {
			ab := Mul(a, b)
			if ba := Mul(b, a); ab != ba {
				t.Fatalf("Mul(%02X, %02X) = %02X, the other way %02X; want the same", a, b, ab, ba)
			}
			if a != 0 && b != 0 && ab == 0 {
				t.Fatalf("Mul(%02X, %02X) = 00; want no divisor of zero", a, b)
			}
			all(func(c byte) {
				if l, r := Mul(ab, c), Mul(a, Mul(b, c)); l != r {
					t.Fatalf("(%02X·%02X)·%02X = %02X, %02X·(%02X·%02X) = %02X; want the same", a, b, c, l, a, b, c, r)
				}
				if l, r := Mul(a, b^c), ab^Mul(a, c); l != r {
					t.Fatalf("%02X·(%02X+%02X) = %02X; want %02X", a, b, c, l, r)
				}
			})
		})
	})
}

func TestInverseAndQuotient(t *testing.T) {
	all(func(a byte) {
		if a != 0 && Mul(a, Inv(a)) != 1 {
			t.Errorf("Mul(%02X, Inv(%02X)) = %02X; want 01", a, a, Mul(a, Inv(a)))
		}
		all(func(b byte) {
			if q := Div(a, b); b != 0 && Mul(q, b) != a {
				t.Errorf("Div(%02X, %02X) = %02X; its product with %02X is %02X", a, b, q, b, Mul(q, b))
			}
		})
		if got := Div(a, 0); got != 0 {
			t.Errorf("Div(%02X, 0) = %02X; want 00", a, got)
		}
	})
	if got := Inv(0); got != 0 {
		t.Errorf("Inv(0) = %02X; want 00", got)
	}
}

func TestPowersReachEveryElementOnce(t *testing.T) {
	seen := make(map[byte]int)
	x := byte(1)
	for n := range order {
		if got := Exp(n); got != x {
			t.Fatalf("Exp(%d) = %02X; want %02X", n, got, x)
		}
		if first, twice := seen[x]; twice || x == 0 {
			t.Fatalf("Exp(%d) = %02X = Exp(%d); want a new element but zero", n, x, first)
		}
		seen[x] = n
		if got := Log(x); got != n {
			t.Errorf("Log(%02X) = %d; want %d", x, got, n)
		}
		x = slowMul(x, 2)
	}
	if x != 1 {
		t.Errorf("α^%d = %02X; want 01", order, x)
	}
	if got := Log(0); got != -1 {
		t.Errorf("Log(0) = %d; want -1", got)
	}
}

func TestExpTakesAnyPower(t *testing.T) {
	for _, n := range []int{-1 << 63, -256, -255, -254, -1, 0, 254, 255, 256, 1<<63 - 1} {
		got, next := Exp(n), Exp(n+1) // n+1 of the largest int wraps around to the least
		if n != 1<<63-1 && next != slowMul(got, 2) {
			t.Errorf("Exp(%d) = %02X, Exp(%d) = %02X; want %02X", n, got, n+1, next, slowMul(got, 2))
		}
		if want := Exp(n % order); got != want {
			t.Errorf("Exp(%d) = %02X; want %02X", n, got, want)
		}
	}
	if got := Exp(-1); slowMul(got, 2) != 1 {
		t.Errorf("Exp(-1) = %02X; want the inverse of 02", got)
	}
}

// TestNoBranchTable holds the trick behind Mul: a sum with the stand-in for the
// logarithm of zero always finds a zero, and no sum leaves the table.
func TestNoBranchTable(t *testing.T) {
	for i := logZero; i < powers; i++ {
		if field.exp[i] != 0 {
			t.Errorf("exp[%d] = %02X; want 00", i, field.exp[i])
		}
	}
	if 2*logZero >= powers {
		t.Errorf("2·logZero = %d; want below %d", 2*logZero, powers)
	}
}
