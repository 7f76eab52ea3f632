package sector

import "testing"

func TestThousands(t *testing.T) {
	for _, c := range []struct {
		n    int64
		want string
	}{
		{0, "0"}, {7, "7"}, {999, "999"}, {1000, "1,000"}, {2298496, "2,298,496"}, {100000, "100,000"},
		{-7, "-7"}, {-999, "-999"}, {-1000, "-1,000"}, {-100000, "-100,000"}, {-1 << 63, "-9,223,372,036,854,775,808"},
	} {
		if got := Thousands(c.n); got != c.want {
			t.Errorf("Thousands(%d) = %q; want %q", c.n, got, c.want)
		}
	}
}

func TestAbout(t *testing.T) {
	for _, c := range []struct {
		x          float64
		want, unit int64
	}{
		{0, 0, 1}, {.5, 1, 1}, {99.4, 99, 1}, {99.6, 100, 1}, {100, 100, 10}, {104, 100, 10}, {105, 110, 10},
		{994, 990, 10}, {995, 1000, 10}, {1000, 1000, 100}, {2_298_496, 2_300_000, 100_000},
	} {
		if got, unit := About(c.x), SecondFigure(c.x); got != c.want || unit != c.unit {
			t.Errorf("About(%g), SecondFigure = %d, %d; want %d, %d", c.x, got, unit, c.want, c.unit)
		}
	}
}
