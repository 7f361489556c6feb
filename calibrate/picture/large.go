package picture

import (
	"syscall"
	"unsafe"
)

// Large gives n zero values that the kernel may back with large pages: a scan has ten thousand
// small ones, and to touch each for the first time takes about as long as decoding it.
func Large[T uint8 | int16 | float32](n int) []T {
	const hugePage, advice = 2 << 20, 14 // MADV_HUGEPAGE of Linux, which is but a hint
	v := make([]T, n)
	var one T
	if size := n * int(unsafe.Sizeof(one)); size >= 2*hugePage {
		b := unsafe.Slice((*byte)(unsafe.Pointer(&v[0])), size)
		_ = syscall.Madvise(b[-uintptr(unsafe.Pointer(&b[0]))%hugePage:], advice)
	}
	return v
}
