package archive

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image/png"
	"os"
	"path/filepath"

	"penarm/calibrate"
	"penarm/verify/seal"
)

const joinAnew = "scan both halves again, flat, so that they overlap by a third of the chart, or scan the chart whole"

// join adds the second half of a chart to the picture of the first.
func (c *Checker) join(ctx context.Context, path string, r *reading) error {
	if err := regular(path); err != nil {
		return NewError(path, "scan", err, "correct the path, or scan the chart again")
	}
	if n, err := c.open.Pages(path); err == nil && n > 1 {
		return NewError(path, "scan", fmt.Errorf("the second half has %d pages", n), "keep the page with the chart's other half, alone")
	}
	b, err := c.open.Open(path, 1)
	if err != nil {
		return NewError(path, "scan", err, joinAnew)
	}
	if r.hashes["second half"], err = seal.HashFile(path); err != nil {
		return NewError(path, "scan", err, "make the file readable")
	}
	if r.picture, err = calibrate.Join(ctx, r.picture, b); err != nil {
		return NewError(path, "scan", err, joinAnew)
	}
	return nil
}

// Join makes one picture of two overlapping halves of a chart, given as files,
// and writes it as PNG. It replaces no file.
func Join(ctx context.Context, open Opener, a, b, out string) error {
	if _, err := os.Lstat(out); err == nil {
		return NewError(out, "output", errors.New("is there already"), "choose another name")
	}
	r := &reading{hashes: map[string]string{}}
	c := NewChecker(open)
	if err := regular(a); err != nil {
		return NewError(a, "scan", err, "correct the path, or scan the chart again")
	}
	var err error
	if r.picture, err = open.Open(a, 1); err != nil {
		return NewError(a, "scan", err, joinAnew)
	}
	if err := c.join(ctx, b, r); err != nil {
		return err
	}
	var data bytes.Buffer
	if err := png.Encode(&data, r.picture.Image()); err != nil {
		return NewError(out, "output", err, joinAnew)
	}
	if err := writeBeside(out, data.Bytes()); err != nil {
		return NewError(out, "output", err, "make room, or choose another place")
	}
	return nil
}

// writeBeside writes a file all or nothing: beside its place, flushed, then renamed.
func writeBeside(path string, data []byte) error {
	part := filepath.Join(filepath.Dir(path), fmt.Sprintf(".part-%d-%s", os.Getpid(), filepath.Base(path)))
	err := write(part, data)
	if err == nil {
		err = os.Rename(part, path)
	}
	if err != nil {
		os.Remove(part)
		return err
	}
	return flush(filepath.Dir(path))
}
