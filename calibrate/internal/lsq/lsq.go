// Package lsq solves linear least squares by the normal equations, weighted and with a ridge.
package lsq

import (
	"errors"
	"math"
)

// Normal gathers the normal equations of a linear least squares problem with n unknowns.
type Normal struct {
	n int
	a []float64 // lower triangle, row-major n×n
	b []float64
}

// New makes empty normal equations for n unknowns.
func New(n int) *Normal { return &Normal{n: n, a: make([]float64, n*n), b: make([]float64, n)} }

// Add takes one equation Σ row·x = rhs with its weight. len(row) = n.
func (s *Normal) Add(row []float64, rhs, weight float64) {
	for i, v := range row {
		if v == 0 {
			continue
		}
		v *= weight
		s.b[i] += v * rhs
		a := s.a[i*s.n : i*s.n+i+1]
		for j := range a {
			a[j] += v * row[j]
		}
	}
}

// Product adds to the sum over the equations of weight·row[i]·row[j], j ≤ i, where a caller has such sums ready.
func (s *Normal) Product(i, j int, v float64) { s.a[i*s.n+j] += v }

// Sum adds to the sum over the equations of weight·row[i]·rhs.
func (s *Normal) Sum(i int, v float64) { s.b[i] += v }

// Ridge adds the equation x[i] = 0 with a weight.
func (s *Normal) Ridge(i int, weight float64) { s.a[i*s.n+i] += weight }

// ErrSingular is returned where the equations do not settle all unknowns.
var ErrSingular = errors.New("the equations do not settle all unknowns")

// Solve gives the unknowns by Cholesky's method on equations scaled to a unit diagonal.
func (s *Normal) Solve() ([]float64, error) {
	n := s.n
	scale := make([]float64, n)
	for i := range scale {
		d := s.a[i*n+i]
		if !(d > 0) || math.IsInf(d, 0) {
			return nil, ErrSingular
		}
		scale[i] = 1 / math.Sqrt(d)
	}
	l := make([]float64, n*n)
	for i := 0; i < n; i++ {
		for j := 0; j <= i; j++ {
			v := s.a[i*n+j] * scale[i] * scale[j]
			for k := 0; k < j; k++ {
				v -= l[i*n+k] * l[j*n+k]
			}
			if i == j {
				if !(v > 1e-14) {
					return nil, ErrSingular
				}
				l[i*n+i] = math.Sqrt(v)
			} else {
				l[i*n+j] = v / l[j*n+j]
			}
		}
	}
	x := make([]float64, n)
	for i := 0; i < n; i++ {
		v := s.b[i] * scale[i]
		for k := 0; k < i; k++ {
			v -= l[i*n+k] * x[k]
		}
		x[i] = v / l[i*n+i]
	}
	for i := n - 1; i >= 0; i-- {
		v := x[i]
		for k := i + 1; k < n; k++ {
			v -= l[k*n+i] * x[k]
		}
		x[i] = v / l[i*n+i]
	}
	for i := range x {
		x[i] *= scale[i]
	}
	return x, nil
}
