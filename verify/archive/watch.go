package archive

import (
	"context"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// Watch reviews a scanner's drop folder again and again until ctx ends. It looks
// every so often, which works on network shares too, and leaves a file alone until
// its size and time of change have stood still for settle. Whatever a pass gives is
// reported, an error too: the next change may mend it.
func Watch(ctx context.Context, r Review, every, settle time.Duration, report func(Summary, error)) error {
	for _, dir := range r.Dirs {
		if st, err := os.Stat(dir); err != nil || !st.IsDir() {
			return fmt.Errorf("%s: is no folder: correct the path", dir)
		}
	}
	s := settling{after: settle, since: map[string]sighting{}}
	r.ready = s.ready
	done := ""
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		if now := s.look(r, time.Now()); now != done {
			sum, err := RunReview(ctx, r)
			if ctx.Err() != nil {
				return nil
			}
			done = now
			report(sum, err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// sighting is how a file looked, and since when.
type sighting struct {
	state string
	from  time.Time
}

// settling remembers how the files of a drop folder looked.
type settling struct {
	after time.Duration
	since map[string]sighting
	fit   map[string]bool
}

func (s *settling) ready(path string) bool { return s.fit[path] }

// look notes every file as it is now, and gives one text for all that have settled:
// as long as it stays the same there is nothing to do.
func (s *settling) look(r Review, now time.Time) string {
	before := s.since
	s.since, s.fit = map[string]sighting{}, map[string]bool{}
	var all strings.Builder
	note := func(path string, st fs.FileInfo) {
		w := sighting{fmt.Sprint(st.Size(), st.ModTime().UnixNano(), st.Mode()), now}
		if b, ok := before[path]; ok && b.state == w.state {
			w.from = b.from
		}
		s.since[path] = w
		if now.Sub(w.from) >= s.after {
			s.fit[path] = true
			fmt.Fprintln(&all, path, w.state)
		}
	}
	for _, dir := range r.Dirs {
		abs, err := filepath.Abs(dir)
		if err != nil {
			continue
		}
		filepath.WalkDir(abs, func(path string, d fs.DirEntry, err error) error { // what cannot be listed now is looked at the next time
			switch {
			case err != nil:
				return nil
			case d.IsDir() && path != abs && strings.HasPrefix(d.Name(), "."):
				return filepath.SkipDir
			case d.IsDir():
				if info, err := d.Info(); err == nil {
					if out, err := os.Stat(r.Out); err == nil && os.SameFile(info, out) {
						return filepath.SkipDir
					}
				}
				return nil
			case isScan(path) || strings.HasSuffix(path, entriesEnding):
				if info, err := d.Info(); err == nil {
					note(path, info)
				}
			}
			return nil
		})
	}
	for _, path := range []string{r.Sheet, r.Plant} {
		if st, err := os.Stat(path); path != "" && err == nil {
			note(path, st)
		}
	}
	return all.String()
}
