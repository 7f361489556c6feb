package archive

import (
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"
)

const errorFile = "error.json"

// file is one file of a result.
type file struct {
	name string
	data []byte
}

// partFolder is where a result grows before it is renamed. Its name follows from the
// chart's, so that what a killed run left is found and cleared by the next.
func partFolder(out, name string) string {
	sum := sha256.Sum256([]byte(name))
	return filepath.Join(out, fmt.Sprintf(".part-%x", sum[:8]))
}

// commit puts the files into out/name, all or nothing: written beside, flushed to
// the disk, then renamed. An earlier result of the same step is replaced whole; a
// folder that holds anything else is left alone and is an error.
func commit(out, name string, step Step, files []file) (err error) {
	final, part := filepath.Join(out, name), partFolder(out, name)
	if err := replaceable(final, step); err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(final), 0o777); err != nil {
		return err
	}
	if err := os.RemoveAll(part); err != nil {
		return err
	}
	if err := os.Mkdir(part, 0o777); err != nil {
		return err
	}
	defer func() {
		if e := os.RemoveAll(part); err == nil {
			err = e
		}
	}()
	for _, f := range files {
		if err := write(filepath.Join(part, f.name), f.data); err != nil {
			return err
		}
	}
	if err := flush(part); err != nil {
		return err
	}
	if err := swap(part, final); err != nil {
		return err
	}
	return flush(filepath.Dir(final))
}

// replaceable says why a result may not be put at the path.
func replaceable(path string, step Step) error {
	st, err := os.Lstat(path)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	if !st.IsDir() {
		return fmt.Errorf("%s is there already and is no folder: choose another --out", path)
	}
	list, err := os.ReadDir(path)
	if err != nil {
		return err
	}
	for _, e := range list {
		if !step.leaves(e.Name()) {
			return fmt.Errorf("%s is there already and holds %s, which %s did not leave there: choose another --out", path, e.Name(), step)
		}
	}
	return nil
}

// swap renames part to final. Where final exists the two change places in one
// step; on file systems that cannot do so there is an instant with neither.
func swap(part, final string) error {
	if _, err := os.Lstat(final); errors.Is(err, os.ErrNotExist) {
		return os.Rename(part, final)
	}
	err := unix.Renameat2(unix.AT_FDCWD, part, unix.AT_FDCWD, final, unix.RENAME_EXCHANGE)
	if !errors.Is(err, unix.EINVAL) && !errors.Is(err, unix.ENOSYS) {
		return err
	}
	if err := os.RemoveAll(final); err != nil {
		return err
	}
	return os.Rename(part, final)
}

func write(path string, data []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	return errors.Join(err, f.Sync(), f.Close())
}

// flush makes a folder's own entries last over a power cut.
func flush(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// commitError leaves error.json in place of any earlier result: what was found
// before no longer holds for a scan that cannot be read.
func commitError(job Job, e *Error, with ...file) error {
	b, err := json.MarshalIndent(e, "", "  ")
	if err != nil {
		return err
	}
	return commit(job.Out, job.Name, job.Step, append([]file{{errorFile, append(b, '\n')}}, with...))
}

// prepare makes the output folder, proves that it can be written, and locks it
// against a second run until the file is closed here and in all workers. Those of a
// run that was killed need a moment to end, which is waited for.
func prepare(out string) (lock *os.File, err error) {
	if err := os.MkdirAll(out, 0o777); err != nil {
		return nil, fmt.Errorf("--out: %w: choose a folder that can be written", err)
	}
	probe := partFolder(out, "")
	if err := os.RemoveAll(probe); err == nil {
		err = os.Mkdir(probe, 0o777)
		if err != nil {
			return nil, fmt.Errorf("--out: %w: choose a folder that can be written", err)
		}
		os.Remove(probe)
	}
	d, err := os.Open(out)
	if err != nil {
		return nil, fmt.Errorf("--out: %w: choose a folder that can be written", err)
	}
	// Some network file systems know no locks; they go without.
	for wait := 0; ; wait++ {
		switch err := unix.Flock(int(d.Fd()), unix.LOCK_EX|unix.LOCK_NB); {
		case !errors.Is(err, unix.EWOULDBLOCK):
			return d, nil
		case wait == 20:
			d.Close()
			return nil, fmt.Errorf("--out: %s: another run is writing there: wait for it, or choose another folder", out)
		}
		time.Sleep(orphan / 10)
	}
}
