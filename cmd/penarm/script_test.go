package main

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"penarm/digitize/series"
	"penarm/verify/evidence"
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
			"schema":   schema,
			"status":   status,
			"cut":      cut,
			"hugepng":  hugePNG,
			"photo":    photo,
			"tinydisk": tinyDisk,
			"readonly": readOnly,
			"noblank":  noBlank,
			"fifo":     fifo,
			"back":     back,
			"negative": negative,
			"under":    under,
			"pdf":      pdf,
			"halves":   halves,
		},
	})
}

// schema NAME FILE...: each file keeps the JSON Schema that the program prints, by an independent validator.
func schema(ts *testscript.TestScript, neg bool, args []string) {
	data, err := evidence.Schema(args[0])
	ts.Check(err)
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(data))
	ts.Check(err)
	c := jsonschema.NewCompiler()
	ts.Check(c.AddResource("schema.json", doc))
	sch, err := c.Compile("schema.json")
	ts.Check(err)
	for _, name := range args[1:] {
		doc, err := jsonschema.UnmarshalJSON(strings.NewReader(ts.ReadFile(name)))
		ts.Check(err)
		if err := sch.Validate(doc); (err != nil) != neg {
			ts.Fatalf("%s: %v", name, err)
		}
	}
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

// tinydisk DIR SIZE: a file system of that size, for as long as the script runs.
func tinyDisk(ts *testscript.TestScript, neg bool, args []string) {
	dir := ts.MkAbs(args[0])
	ts.Check(os.MkdirAll(dir, 0o777))
	ts.Check(mountTiny(dir, args[1]))
	ts.Defer(func() { syscall.Unmount(dir, 0) })
}

// readonly DIR: the file system mounted there takes no more writing.
func readOnly(ts *testscript.TestScript, neg bool, args []string) {
	ts.Check(syscall.Mount("", ts.MkAbs(args[0]), "", syscall.MS_REMOUNT|syscall.MS_RDONLY, ""))
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

// back TO [STROKES]: the back of a chart on a black lid, with or without pen strokes.
func back(ts *testscript.TestScript, neg bool, args []string) {
	m := image.NewGray(image.Rect(0, 0, 1000, 1000))
	for y := range 1000 {
		for x := range 1000 {
			if r := math.Hypot(float64(x-500), float64(y-500)); r < 470 && r > 18 {
				m.SetGray(x, y, color.Gray{235})
			}
		}
	}
	if len(args) > 1 {
		for i := range 300 {
			x, y := 300+i, 480+int(40*math.Sin(float64(i)/12))
			for k := range 9 {
				m.SetGray(x+k/3, y+k%3, color.Gray{60})
			}
		}
	}
	var b bytes.Buffer
	ts.Check(jpeg.Encode(&b, m, nil))
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), b.Bytes(), 0o666))
}

// negative FROM TO inverts a scan's tones.
func negative(ts *testscript.TestScript, neg bool, args []string) {
	data, err := os.ReadFile(ts.MkAbs(args[0]))
	ts.Check(err)
	m, err := jpeg.Decode(bytes.NewReader(data))
	ts.Check(err)
	out := image.NewRGBA(m.Bounds())
	draw.Draw(out, out.Rect, m, out.Rect.Min, draw.Src)
	for i := range out.Pix {
		if i%4 < 3 {
			out.Pix[i] = 255 - out.Pix[i]
		}
	}
	var b bytes.Buffer
	ts.Check(jpeg.Encode(&b, out, nil))
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), b.Bytes(), 0o666))
}

// pdf TO JPEG...: a page for each picture, which covers it, as office scanners write them.
func pdf(ts *testscript.TestScript, neg bool, args []string) {
	var b bytes.Buffer
	var at []int
	object := func(text string, stream []byte) {
		at = append(at, b.Len())
		fmt.Fprintf(&b, "%d 0 obj\n", len(at))
		if stream == nil {
			fmt.Fprintf(&b, "%s\nendobj\n", text)
			return
		}
		fmt.Fprintf(&b, "<<%s /Length %d>>\nstream\n%s\nendstream\nendobj\n", text, len(stream), stream)
	}
	b.WriteString("%PDF-1.4\n")
	kids := ""
	for i := range args[1:] {
		kids += fmt.Sprintf("%d 0 R ", 3+3*i)
	}
	object("<</Type /Catalog /Pages 2 0 R>>", nil)
	object(fmt.Sprintf("<</Type /Pages /Kids [%s] /Count %d>>", kids, len(args)-1), nil)
	for i, name := range args[1:] {
		data, err := os.ReadFile(ts.MkAbs(name))
		ts.Check(err)
		config, err := jpeg.DecodeConfig(bytes.NewReader(data))
		ts.Check(err)
		space := "DeviceRGB"
		if config.ColorModel == color.GrayModel {
			space = "DeviceGray"
		}
		object(fmt.Sprintf("<</Type /Page /Parent 2 0 R /MediaBox [0 0 720 720] /Contents %d 0 R /Resources <</XObject <</I %d 0 R>>>>>>", 4+3*i, 5+3*i), nil)
		object("", []byte("720 0 0 720 0 0 cm /I Do"))
		object(fmt.Sprintf("/Type /XObject /Subtype /Image /Width %d /Height %d /ColorSpace /%s /BitsPerComponent 8 /Filter /DCTDecode",
			config.Width, config.Height, space), data)
	}
	start := b.Len()
	fmt.Fprintf(&b, "xref\n0 %d\n0000000000 65535 f \n", len(at)+1)
	for _, o := range at {
		fmt.Fprintf(&b, "%010d 00000 n \n", o)
	}
	fmt.Fprintf(&b, "trailer <</Size %d /Root 1 0 R>>\nstartxref\n%d\n%%%%EOF\n", len(at)+1, start)
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), b.Bytes(), 0o666))
}

// under LOWER CENTRE: where the first pen's line of one series.csv is level, it lies below that of another.
func under(ts *testscript.TestScript, neg bool, args []string) {
	var read [2]series.Series
	for i := range read {
		all, err := series.Read(strings.NewReader(ts.ReadFile(args[i])))
		ts.Check(err)
		read[i] = all[0]
	}
	lower, centre := read[0], read[1]
	level := 0
	for _, s := range lower.Samples {
		before, ok1 := centre.At(s.Time.Add(-time.Minute), false)
		at, ok2 := centre.At(s.Time, false)
		after, ok3 := centre.At(s.Time.Add(time.Minute), false)
		if s.Quality != series.Good || !ok1 || !ok2 || !ok3 || math.Abs(after-before) > 1 {
			continue
		}
		if level++; !(s.Temperature < at) {
			ts.Fatalf("at %v: %g, not below %g", s.Time, s.Temperature, at)
		}
	}
	if level < 500 {
		ts.Fatalf("only %d level samples in both", level)
	}
}

// halves FROM A B: the left and the right 62 % of a scan, the right half shoved down a little.
func halves(ts *testscript.TestScript, neg bool, args []string) {
	data, err := os.ReadFile(ts.MkAbs(args[0]))
	ts.Check(err)
	m, err := jpeg.Decode(bytes.NewReader(data))
	ts.Check(err)
	size := m.Bounds().Size()
	w := size.X * 62 / 100
	for i, r := range []image.Rectangle{image.Rect(0, 0, w, size.Y), image.Rect(size.X-w, 7, size.X, size.Y)} {
		var b bytes.Buffer
		ts.Check(jpeg.Encode(&b, m.(interface {
			SubImage(image.Rectangle) image.Image
		}).SubImage(r), &jpeg.Options{Quality: 90}))
		ts.Check(os.WriteFile(ts.MkAbs(args[1+i]), b.Bytes(), 0o666))
	}
}

// fifo NAME makes a pipe that nobody writes to.
func fifo(ts *testscript.TestScript, neg bool, args []string) {
	ts.Check(syscall.Mkfifo(ts.MkAbs(args[0]), 0o666))
}

func mountTiny(dir, size string) error { return syscall.Mount("tmpfs", dir, "tmpfs", 0, "size="+size) }

// canMount is false without root's rights, and in most containers.
func canMount(dir string) bool {
	if mountTiny(dir, "64k") != nil {
		return false
	}
	syscall.Unmount(dir, 0)
	return true
}
