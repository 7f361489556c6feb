// Package rank finds the value of a given rank without sorting the rest.
package rank

import "cmp"

// few is up to how many values insertion beats parting them.
const few = 24

// Select gives the k-th smallest of v, from 0 to len(v)−1, and reorders v. No value may be NaN.
// Quickselect (Hoare, CACM 4(7), 1961) with a median of three.
func Select[T cmp.Ordered](v []T, k int) T {
	lo, hi := 0, len(v)-1
	for hi-lo > few {
		a, b, c := v[lo], v[(lo+hi)/2], v[hi]
		p := max(min(a, b), min(max(a, b), c))
		i, j := lo, hi
		for i <= j {
			for v[i] < p {
				i++
			}
			for v[j] > p {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return v[k]
		}
	}
	for i := lo + 1; i <= hi; i++ {
		x := v[i]
		j := i
		for ; j > lo && v[j-1] > x; j-- {
			v[j] = v[j-1]
		}
		v[j] = x
	}
	return v[k]
}
