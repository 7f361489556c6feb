package main

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"syscall"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"penarm": main})
}

// TestScripts runs the program itself. PLANT is the demo's folder.
func TestScripts(t *testing.T) {
	plant, err := filepath.Abs("../../testdata/plant")
	if err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir:                 "../../testdata/script",
		RequireExplicitExec: true,
		Setup: func(e *testscript.Env) error {
			e.Setenv("PLANT", plant)
			return nil
		},
		Condition: func(cond string) (bool, error) {
			if cond != "mount" {
				return false, fmt.Errorf("unknown condition %q", cond)
			}
			return canMount(t.TempDir()), nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"status":   status,
			"cut":      cut,
			"hugepng":  hugePNG,
			"photo":    photo,
			"tinydisk": tinyDisk,
			"noblank":  noBlank,
			"fifo":     fifo,
		},
	})
}

// status N penarm ARGS...: runs it and asks for the exit status.
func status(ts *testscript.TestScript, neg bool, args []string) {
	err := ts.Exec(args[1], args[2:]...)
	got := 0
	if err != nil {
		e, ok := err.(interface{ ExitCode() int })
		if !ok {
			ts.Fatalf("%v", err)
		}
		got = e.ExitCode()
	}
	if strconv.Itoa(got) != args[0] {
		ts.Fatalf("exit status %d, want %s", got, args[0])
	}
}

// cut FROM TO PERCENT copies the first part of a file.
func cut(ts *testscript.TestScript, neg bool, args []string) {
	data, err := os.ReadFile(ts.MkAbs(args[0]))
	ts.Check(err)
	percent, err := strconv.ParseFloat(args[2], 64)
	ts.Check(err)
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), data[:int(float64(len(data))*percent/100)], 0o666))
}

// hugePNG TO: a valid header that claims 200,000 × 200,000 pixels, and no more.
func hugePNG(ts *testscript.TestScript, neg bool, args []string) {
	var b bytes.Buffer
	b.WriteString("\x89PNG\r\n\x1a\n")
	chunk := func(kind string, data []byte) {
		binary.Write(&b, binary.BigEndian, uint32(len(data)))
		body := append([]byte(kind), data...)
		b.Write(body)
		binary.Write(&b, binary.BigEndian, crc32.ChecksumIEEE(body))
	}
	head := binary.BigEndian.AppendUint32(nil, 200_000)
	head = binary.BigEndian.AppendUint32(head, 200_000)
	chunk("IHDR", append(head, 8, 2, 0, 0, 0))
	chunk("IDAT", nil)
	chunk("IEND", nil)
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), b.Bytes(), 0o666))
}

// photo TO: a picture of something else, with a bright disc and waves in it.
func photo(ts *testscript.TestScript, neg bool, args []string) {
	m := image.NewRGBA(image.Rect(0, 0, 1600, 1200))
	for y := range 1200 {
		for x := range 1600 {
			v := 110 + 60*math.Sin(float64(x)/37)*math.Cos(float64(y)/23)
			if math.Hypot(float64(x-700), float64(y-600)) < 450 {
				v += 50
			}
			m.Set(x, y, color.RGBA{uint8(v), uint8(v * 0.9), uint8(v * 0.7), 255})
		}
	}
	var b bytes.Buffer
	ts.Check(jpeg.Encode(&b, m, nil))
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), b.Bytes(), 0o666))
}

// tinydisk DIR: a file system of a few pages, for as long as the script runs.
func tinyDisk(ts *testscript.TestScript, neg bool, args []string) {
	dir := ts.MkAbs(args[0])
	ts.Check(os.MkdirAll(dir, 0o777))
	ts.Check(mountTiny(dir))
	ts.Defer(func() { syscall.Unmount(dir, 0) })
}

// noblank FORM takes the blank, its last key, out of a form file.
func noBlank(ts *testscript.TestScript, neg bool, args []string) {
	data, err := os.ReadFile(ts.MkAbs(args[0]))
	ts.Check(err)
	kept, _, found := bytes.Cut(data, []byte("\nblank:"))
	if !found {
		ts.Fatalf("%s names no blank", args[0])
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), append(kept, '\n'), 0o666))
}

// fifo NAME makes a pipe that nobody writes to.
func fifo(ts *testscript.TestScript, neg bool, args []string) {
	ts.Check(syscall.Mkfifo(ts.MkAbs(args[0]), 0o666))
}

func mountTiny(dir string) error { return syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=64k") }

// canMount is false without root's rights, and in most containers.
func canMount(dir string) bool {
	if mountTiny(dir) != nil {
		return false
	}
	syscall.Unmount(dir, 0)
	return true
}
