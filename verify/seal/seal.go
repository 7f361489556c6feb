// Package seal makes later changes of a filed result evident: a signed manifest
// of its files, and decisions of persons chained to it. Keys are Ed25519 (RFC
// 8032), hashes SHA-256 (FIPS 180-4).
package seal

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/google/renameio/v2"
	"golang.org/x/sys/unix"
)

// What the package adds to a folder.
const (
	sealFile      = "seal.json"
	decisionsFile = "decisions.jsonl" // one decision a line, only ever appended to
	headFile      = "decisions.head.json"
	findingsFile  = "findings.json"
)

// maxSmall is the largest of the package's own files that is read, bytes.
const maxSmall = 16 << 20

// Limits is what a seal does not prove, for people.
const Limits = `A seal shows that the files are those that were sealed, and that whoever sealed
them held the plant's key. It does not show who sat at the computer: there are no
passwords and no limits of access (21 CFR 11.10(d), 11.100 to 11.300), the name under
a decision is the one that was typed (11.50 asks for more), and the clock is the
computer's. A folder put back whole as it was before a decision passes every test,
so keep the printed head of the decisions elsewhere. A seal is no signature by
hand, and does not make this program validated (11.10(a)).`

// Manifest is what seal.json holds, schema "penarm.seal/1": every file of the folder
// and the scan that findings.json names, signed.
type Manifest struct {
	Schema    string            `json:"schema"`
	SealedAt  string            `json:"sealed_at"` // RFC 3339, by the computer's clock
	Scan      Scan              `json:"scan"`      // as findings.json has it
	Files     map[string]string `json:"files"`     // name → SHA-256
	Key       string            `json:"key"`       // the public key, hexadecimal
	Signature string            `json:"signature"` // over this very JSON with an empty signature, hexadecimal
}

// Scan names what was read.
type Scan struct {
	File   string `json:"file"`
	SHA256 string `json:"sha256"`
}

// Decision is one line of decisions.jsonl, schema "penarm.decision/1".
type Decision struct {
	Schema   string `json:"schema"`
	Number   int    `json:"number"` // from 1
	SignedAt string `json:"signed_at"`
	As       string `json:"as"` // the person, as typed
	Decision string `json:"decision"`
	Note     string `json:"note"`
	// Previous is the SHA-256 of the line before without its line feed, for the first that of seal.json.
	Previous  string `json:"previous"`
	Key       string `json:"key"`
	Signature string `json:"signature"`
}

// head is what decisions.head.json holds, schema "penarm.head/1": how many lines
// there are, so that none can be cut off at the end. The seal's own head counts 0.
type head struct {
	Schema    string `json:"schema"`
	Decisions int    `json:"decisions"`
	Last      string `json:"last"` // SHA-256 of the last line, of seal.json where there is none
	Key       string `json:"key"`
	Signature string `json:"signature"`
}

// Decisions that a person can sign.
var Decisions = []string{"accept", "reject", "hold"}

// Now is the clock of new seals and decisions.
type Now func() time.Time

func (n Now) stamp() string { return n().UTC().Format(time.RFC3339) }

func sum(b []byte) string { s := sha256.Sum256(b); return hex.EncodeToString(s[:]) }

// encode is the one way in which the package writes JSON: what is signed, and what is filed.
func encode(v any) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	err := enc.Encode(v)
	return b.Bytes(), err
}

// sign fills in the key and the signature, which are fields of v, and gives v as filed.
func sign(v any, key ed25519.PrivateKey, public, signature *string) ([]byte, error) {
	*public, *signature = hex.EncodeToString(key.Public().(ed25519.PublicKey)), ""
	b, err := encode(v)
	if err != nil {
		return nil, err
	}
	*signature = hex.EncodeToString(ed25519.Sign(key, b))
	return encode(v)
}

// genuine reads data into v and says what is wrong with it: it must be, byte for
// byte, what sign gave for the key.
func genuine(data []byte, v any, schema, public, signature *string, wantSchema string, key ed25519.PublicKey) error {
	if err := json.Unmarshal(data, v); err != nil {
		return fmt.Errorf("is no JSON of this kind: %w", err)
	}
	if *schema != wantSchema {
		return fmt.Errorf("has schema %q, %q is known", *schema, wantSchema)
	}
	again, err := encode(v)
	if err != nil {
		return err
	}
	if !bytes.Equal(again, data) {
		return errors.New("was changed: it is not as this program writes it")
	}
	if *public != hex.EncodeToString(key) {
		return fmt.Errorf("is signed with another key, %s", Fingerprint(*public))
	}
	sig, err := hex.DecodeString(*signature)
	*signature = ""
	if err != nil {
		return errors.New("has no signature")
	}
	plain, err := encode(v)
	if err != nil {
		return err
	}
	if !ed25519.Verify(key, plain, sig) {
		return errors.New("was changed: its signature does not hold")
	}
	*signature = hex.EncodeToString(sig)
	return nil
}

// Seal seals a folder that a check left. scan is the scan's path, or that of the
// folder where it lies under its name, to be compared with the hash in findings.json;
// empty: not compared. A folder is sealed once.
func Seal(dir, scan string, key ed25519.PrivateKey, now Now) (*Manifest, error) {
	unlock, err := lock(dir)
	if err != nil {
		return nil, err
	}
	defer unlock()
	if _, err := os.Lstat(filepath.Join(dir, sealFile)); err == nil {
		return nil, fmt.Errorf("%s: is sealed already: see whether it is whole with seal --check", dir)
	}
	files, err := hashes(dir)
	if err != nil {
		return nil, err
	}
	want, err := scanOf(dir)
	if err != nil {
		return nil, err
	}
	if scan != "" {
		path, same, err := want.is(scan)
		if err != nil {
			return nil, err
		}
		if !same {
			return nil, fmt.Errorf("%s: is not the scan that %s was read from: name the right one, or check the scan again", path, dir)
		}
	}
	s := &Manifest{Schema: "penarm.seal/1", SealedAt: now.stamp(), Scan: want, Files: files}
	b, err := sign(s, key, &s.Key, &s.Signature)
	if err != nil {
		return nil, err
	}
	// The seal comes last: a folder without one is not sealed yet, whatever else is there.
	if err := writeHead(dir, 0, sum(b), key); err != nil {
		return nil, err
	}
	return s, renameio.WriteFile(filepath.Join(dir, sealFile), b, 0o644)
}

func writeHead(dir string, decisions int, last string, key ed25519.PrivateKey) error {
	h := &head{Schema: "penarm.head/1", Decisions: decisions, Last: last}
	b, err := sign(h, key, &h.Key, &h.Signature)
	if err != nil {
		return err
	}
	return renameio.WriteFile(filepath.Join(dir, headFile), b, 0o644)
}

// is says whether the file at a path, or under the scan's name in the folder at the path, is the scan.
func (s Scan) is(path string) (file string, same bool, err error) {
	if st, err := os.Stat(path); err == nil && st.IsDir() {
		path = filepath.Join(path, filepath.Base(s.File))
	}
	got, err := HashFile(path)
	return path, got == s.SHA256, err
}

// scanOf is the scan that findings.json names.
func scanOf(dir string) (Scan, error) {
	data, err := small(filepath.Join(dir, findingsFile))
	if errors.Is(err, fs.ErrNotExist) {
		return Scan{}, fmt.Errorf("%s: holds no %s: only what penarm check left can be sealed", dir, findingsFile)
	}
	if err != nil {
		return Scan{}, err
	}
	var f struct{ Scan Scan }
	if err := json.Unmarshal(data, &f); err != nil || f.Scan.SHA256 == "" || f.Scan.File == "" {
		return Scan{}, fmt.Errorf("%s: names no scan: check the scan again", filepath.Join(dir, findingsFile))
	}
	return f.Scan, nil
}

// hashes gives the SHA-256 of every file of a folder but the package's own.
func hashes(dir string) (map[string]string, error) {
	list, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	for _, e := range list {
		if slices.Contains([]string{sealFile, decisionsFile, headFile}, e.Name()) {
			continue
		}
		if !e.Type().IsRegular() {
			return nil, fmt.Errorf("%s: is no ordinary file: take it out of the folder", filepath.Join(dir, e.Name()))
		}
		if out[e.Name()], err = HashFile(filepath.Join(dir, e.Name())); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// HashFile gives a file's SHA-256 (FIPS 180-4) in hexadecimal, as findings and seals hold it.
func HashFile(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	h := sha256.New()
	if _, err := io.Copy(h, f); err != nil {
		return "", err
	}
	return hex.EncodeToString(h.Sum(nil)), nil
}

// small reads one of the package's own files.
func small(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, maxSmall+1))
	if err == nil && len(b) > maxSmall {
		err = fmt.Errorf("%s: has more than %d MB, which no such file has: restore it", path, maxSmall>>20)
	}
	return b, err
}

// lock keeps two programs from changing one folder at a time.
func lock(dir string) (unlock func(), err error) {
	d, err := os.Open(dir)
	if err != nil {
		return nil, err
	}
	// Some network file systems know no locks; they go without.
	if err := unix.Flock(int(d.Fd()), unix.LOCK_EX|unix.LOCK_NB); errors.Is(err, unix.EWOULDBLOCK) {
		d.Close()
		return nil, fmt.Errorf("%s: another program is at work on it: try again", dir)
	}
	return func() { d.Close() }, nil
}

// Report is what a check of a sealed folder shows.
type Report struct {
	Manifest  *Manifest // nil where seal.json is not as it was signed
	Decisions []Decision
	Head      string   // SHA-256 of the last decision's line, of seal.json where there is none
	Scan      bool     // the scan was compared and is the one
	Changed   []string // what is not as it was sealed, one file a line; empty: all is whole
}

// Check compares a folder with its seal and its decisions with their chain. scan
// is as for Seal. key is the plant's public key; nil
// takes the one that the seal names. The error is for what cannot be read.
func Check(dir, scan string, key ed25519.PublicKey) (*Report, error) {
	r := &Report{}
	raw, err := small(filepath.Join(dir, sealFile))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s: is not sealed, or its %s was removed: seal it with penarm seal", dir, sealFile)
	}
	if err != nil {
		return nil, err
	}
	changed := func(name, format string, args ...any) {
		r.Changed = append(r.Changed, name+": "+fmt.Sprintf(format, args...))
	}
	s := &Manifest{}
	if key == nil {
		if err := json.Unmarshal(raw, s); err == nil {
			key, _ = hex.DecodeString(s.Key)
		}
		if len(key) != ed25519.PublicKeySize {
			changed(sealFile, "names no key")
			return r, nil
		}
		s = &Manifest{}
	}
	if err := genuine(raw, s, &s.Schema, &s.Key, &s.Signature, "penarm.seal/1", key); err != nil {
		changed(sealFile, "%v", err)
		return r, nil
	}
	r.Manifest = s
	now, err := hashes(dir)
	if err != nil {
		return nil, err
	}
	var names []string
	for name := range s.Files {
		names = append(names, name)
	}
	for name := range now {
		if _, ok := s.Files[name]; !ok {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	for _, name := range names {
		switch was, is := s.Files[name], now[name]; {
		case is == "":
			changed(name, "is gone")
		case was == "":
			changed(name, "was not there when the folder was sealed")
		case was != is:
			changed(name, "was changed after it was sealed")
		}
	}
	if scan != "" {
		path, same, err := s.Scan.is(scan)
		if err != nil {
			return nil, err
		}
		if r.Scan = same; !same {
			changed(path, "is not the scan that was read")
		}
	}
	return r, r.chain(dir, raw, key)
}

// chain reads the decisions and lists what is wrong with them.
func (r *Report) chain(dir string, seal []byte, key ed25519.PublicKey) error {
	changed := func(name, format string, args ...any) {
		r.Changed = append(r.Changed, name+": "+fmt.Sprintf(format, args...))
	}
	data, err := small(filepath.Join(dir, decisionsFile))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	r.Head = sum(seal)
	for n := 1; len(data) > 0; n++ {
		line, rest, whole := bytes.Cut(data, []byte("\n"))
		data = rest
		var d Decision
		err := errors.New("was cut off")
		if whole {
			err = genuine(append(slices.Clone(line), '\n'), &d, &d.Schema, &d.Key, &d.Signature, "penarm.decision/1", key)
		}
		switch {
		case err != nil:
			changed(decisionsFile, "line %d %v", n, err)
		case d.Number != n:
			changed(decisionsFile, "line %d holds decision %d: a decision was taken out or moved", n, d.Number)
		case d.Previous != r.Head:
			changed(decisionsFile, "line %d does not follow from the line before: a decision was taken out or put in", n)
		}
		r.Decisions, r.Head = append(r.Decisions, d), sum(line)
	}
	raw, err := small(filepath.Join(dir, headFile))
	if errors.Is(err, fs.ErrNotExist) {
		changed(headFile, "is gone, so that decisions may be, too")
		return nil
	}
	if err != nil {
		return err
	}
	var h head
	if err := genuine(raw, &h, &h.Schema, &h.Key, &h.Signature, "penarm.head/1", key); err != nil {
		changed(headFile, "%v", err)
		return nil
	}
	n := len(r.Decisions)
	switch {
	case h.Decisions > n:
		changed(decisionsFile, "%d of %d decisions are gone", h.Decisions-n, h.Decisions)
	case h.Decisions < n-1: // one more is a signing that a power cut ended between the two files
		changed(headFile, "counts %d decisions, there are %d: it was put back", h.Decisions, n)
	case h.Decisions == n && h.Last != r.Head, h.Decisions == n-1 && h.Last != r.Decisions[n-1].Previous:
		changed(decisionsFile, "the last line is not the one that was signed last")
	}
	return nil
}

// NewDecision is what a person decides, not signed yet. Errors say what is missing.
func NewDecision(as, decision, note string) (*Decision, error) {
	as, note = strings.TrimSpace(as), strings.TrimSpace(note)
	switch {
	case as == "":
		return nil, errors.New("a decision needs the name of who decides")
	case !slices.Contains(Decisions, decision):
		return nil, fmt.Errorf("decision %q is not known: %s", decision, strings.Join(Decisions, ", "))
	case note == "" && decision != "accept":
		return nil, fmt.Errorf("to %s needs a note that says why", decision)
	case len(as) > 200 || len(note) > 4000:
		return nil, errors.New("a name has at most 200 bytes, a note 4,000")
	}
	return &Decision{Schema: "penarm.decision/1", As: strings.ToValidUTF8(as, "?"), Decision: decision, Note: strings.ToValidUTF8(note, "?")}, nil
}

// Sign appends a decision to a sealed folder and fills it in. A folder that is not
// whole is not signed. It gives the new head: the hash of the decision's line.
func Sign(dir string, d *Decision, key ed25519.PrivateKey, now Now) (last string, err error) {
	unlock, err := lock(dir)
	if err != nil {
		return "", err
	}
	defer unlock()
	r, err := Check(dir, "", key.Public().(ed25519.PublicKey))
	if err != nil {
		return "", err
	}
	if len(r.Changed) > 0 {
		return "", fmt.Errorf("%s: is not as it was sealed, so that it cannot be signed: %s", dir, strings.Join(r.Changed, "; "))
	}
	d.Number, d.SignedAt, d.Previous = len(r.Decisions)+1, now.stamp(), r.Head
	line, err := sign(d, key, &d.Key, &d.Signature)
	if err != nil {
		return "", err
	}
	if err := appendLine(filepath.Join(dir, decisionsFile), line); err != nil {
		return "", err
	}
	last = sum(bytes.TrimSuffix(line, []byte("\n")))
	return last, writeHead(dir, d.Number, last, key)
}

// appendLine adds a line for good; a line that does not fit leaves none of itself.
func appendLine(path string, line []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_APPEND|os.O_CREATE, 0o644)
	if err != nil {
		return err
	}
	st, err := f.Stat()
	if err != nil {
		return errors.Join(err, f.Close())
	}
	if _, err = f.Write(line); err != nil {
		err = errors.Join(err, f.Truncate(st.Size()))
	}
	return errors.Join(err, f.Sync(), f.Close())
}
