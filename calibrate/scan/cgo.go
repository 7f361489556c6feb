//go:build !customenv

package scan

// All of OpenCV, as pkg-config has it. With the tag customenv, which gocv knows
// too, the environment says what to link.

// #cgo pkg-config: opencv4
import "C"
