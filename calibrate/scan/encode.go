package scan

/*
#include <stdlib.h>
#include "shim.h"
*/
import "C"

import (
	"errors"
	"fmt"
	"unsafe"

	"penarm/calibrate/picture"
)

// jpegSide is the longest side that a JPEG can have, in pixels (ITU-T T.81, B.2.2).
const jpegSide = 65535

// JPEG encodes a picture of three channels as JPEG, quality from 0 to 100. The
// same picture gives the same bytes.
func JPEG(p *picture.Picture, quality int) ([]byte, error) {
	if p.Channels != 3 || p.Width < 1 || p.Height < 1 || p.Width > jpegSide || p.Height > jpegSide || len(p.Pix) != 3*p.Width*p.Height {
		return nil, fmt.Errorf("a picture of %d × %d pixels in %d channels is not written as JPEG: make it smaller, in three channels", p.Width, p.Height, p.Channels)
	}
	var out unsafe.Pointer
	var size C.size_t
	var message [256]C.char
	if C.penarm_encode(unsafe.Pointer(&p.Pix[0]), C.int(p.Width), C.int(p.Height), C.int(quality),
		&out, &size, &message[0], C.size_t(len(message))) != 0 {
		return nil, errors.New("the picture is not encoded as JPEG: " + C.GoString(&message[0]))
	}
	defer C.free(out)
	return C.GoBytes(out, C.int(size)), nil
}
