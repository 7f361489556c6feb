package archive

import (
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"

	"penarm/verify/entries"
	"penarm/verify/seal"
)

// endings of files that are taken for scans; all else is left alone.
var endings = []string{".jpg", ".jpeg", ".png", ".tif", ".tiff", ".pdf"}

func isScan(name string) bool { return slices.Contains(endings, strings.ToLower(filepath.Ext(name))) }

const entriesEnding = ".entries.yaml"

// found is what lies under the folders of an archive.
type found struct {
	scans   []scan
	folders map[string]bool     // results' folders that hold those of other charts
	entries map[string][]string // entries files by the scan they belong to, pages included
	others  int                 // files that are no scans
	refused map[string]string   // path → why nothing below it is looked at
}

var pageMark = regexp.MustCompile(`-p[0-9]+$`)

// survey lists the scans under the folders, in the order of their paths. The
// results of /data/north/2025/1.jpg under /data/north go to the folder north/2025.
// Symbolic links to folders are not followed; hidden files, the output, and what is
// not ready are left out.
func survey(dirs []string, out string, ready func(path string) bool) (*found, error) {
	f := &found{folders: map[string]bool{}, entries: map[string][]string{}, refused: map[string]string{}}
	top := map[string]string{}
	outInfo, err := os.Stat(out)
	if err != nil {
		return nil, err
	}
	for _, dir := range dirs {
		abs, err := filepath.Abs(dir)
		if err != nil {
			return nil, err
		}
		if _, err := os.Stat(abs); err != nil {
			return nil, fmt.Errorf("%s: no such folder: correct the path", dir)
		}
		base := filepath.Base(abs)
		if first, ok := top[base]; ok && first != abs {
			return nil, fmt.Errorf("%s and %s both end in %s, so their charts would get the same names: give the folder above both", first, abs, base)
		}
		top[base] = abs
		err = filepath.WalkDir(abs, func(path string, d fs.DirEntry, err error) error {
			name := filepath.Base(path)
			switch {
			case err != nil:
				f.refused[path] = err.Error()
				if d != nil && d.IsDir() {
					return filepath.SkipDir
				}
				return nil
			case path != abs && strings.HasPrefix(name, "."):
				if d.IsDir() {
					return filepath.SkipDir
				}
				return nil
			case d.IsDir():
				if info, err := d.Info(); err == nil && os.SameFile(info, outInfo) {
					return filepath.SkipDir
				}
				return nil
			}
			if d.Type()&fs.ModeSymlink != 0 {
				if st, err := os.Stat(path); err == nil && st.IsDir() {
					f.refused[path] = "is a symbolic link to a folder, which is not followed"
					return nil
				}
			}
			if ready != nil && !ready(path) {
				return nil
			}
			rel, err := filepath.Rel(filepath.Dir(abs), path)
			if err != nil {
				return err
			}
			if path == abs {
				rel = name
			}
			if stem, ok := strings.CutSuffix(rel, entriesEnding); ok {
				of := pageMark.ReplaceAllString(stem, "")
				f.entries[of] = append(f.entries[of], path)
				if of != stem {
					f.entries[stem] = append(f.entries[stem], path)
				}
				return nil
			}
			if !isScan(name) {
				f.others++
				return nil
			}
			if !utf8.ValidString(path) {
				f.refused[path] = "its name is not valid UTF-8: rename it"
				return nil
			}
			folder := filepath.Dir(rel)
			f.scans = append(f.scans, scan{path: path, folder: folder})
			for p := folder; p != "." && !f.folders[p]; p = filepath.Dir(p) {
				f.folders[p] = true
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	return f, nil
}

// inputsHash is over all that the plant and the options bring to every chart's result.
func (p *plant) inputsHash(recorder, paper string, lower bool) (string, error) {
	h := sha256.New()
	fmt.Fprintln(h, p.hashes["plant"], p.hashes["rules"], recorder, paper, lower)
	for _, f := range p.forms {
		sum, err := seal.HashFile(f.Path)
		if err != nil {
			return "", err
		}
		fmt.Fprintln(h, f.Path, sum)
		if f.Blank != nil {
			if sum, err = seal.HashFile(f.Blank.Image); err != nil && !errors.Is(err, os.ErrNotExist) {
				return "", err
			}
			fmt.Fprintln(h, sum)
		}
	}
	return fmt.Sprintf("%x", h.Sum(nil)), nil
}

// entriesHash is over all that is written on the charts of a scan.
func entriesHash(files []string, rows []*entries.Entries) (string, error) {
	h := sha256.New()
	for _, path := range files {
		if err := regular(path); err != nil {
			continue // the reading itself says what is wrong with it
		}
		sum, err := seal.HashFile(path)
		if err != nil {
			return "", err
		}
		fmt.Fprintln(h, filepath.Base(path), sum)
	}
	for _, e := range rows {
		text, err := json.Marshal(e)
		if err != nil {
			return "", err
		}
		h.Write(text)
	}
	return fmt.Sprintf("%x", h.Sum(nil)), nil
}

// bySheet sorts the rows of a day sheet by the scan that they belong to, pages included.
func bySheet(sheet map[string]*entries.Entries) map[string][]*entries.Entries {
	out := map[string][]*entries.Entries{}
	for _, name := range slices.Sorted(maps.Keys(sheet)) {
		of := pageMark.ReplaceAllString(name, "")
		out[of] = append(out[of], sheet[name])
		if of != name {
			out[name] = append(out[name], sheet[name])
		}
	}
	return out
}

// scanHash is the SHA-256 of a scan; of two halves, over both of theirs.
// What is no ordinary file has none: it is not even opened.
func scanHash(paths []string) (string, error) {
	for _, path := range paths {
		if regular(path) != nil {
			return "", nil
		}
	}
	if len(paths) == 1 {
		return seal.HashFile(paths[0])
	}
	h := sha256.New()
	for _, path := range paths {
		sum, err := seal.HashFile(path)
		if err != nil {
			return "", err
		}
		fmt.Fprintln(h, sum)
	}
	return fmt.Sprintf("%x", h.Sum(nil)), nil
}
