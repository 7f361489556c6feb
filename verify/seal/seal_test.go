package seal

import (
	"bytes"
	"crypto/ed25519"
	"encoding/hex"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func fixed() time.Time { return time.Date(2026, 3, 4, 9, 30, 0, 0, time.UTC) }

// RFC 8032, section 7.1, TEST 3: the secret key, the message af82 and its signature.
const (
	rfcSecret    = "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7"
	rfcPublic    = "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025"
	rfcSignature = "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac" +
		"18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a"
)

func rfcKey(t *testing.T) ed25519.PrivateKey {
	seed, err := hex.DecodeString(rfcSecret)
	require.NoError(t, err)
	return ed25519.NewKeyFromSeed(seed)
}

func TestPublishedVectors(t *testing.T) {
	key := rfcKey(t)
	assert.Equal(t, rfcPublic, hex.EncodeToString(key.Public().(ed25519.PublicKey)))
	assert.Equal(t, rfcSignature, hex.EncodeToString(ed25519.Sign(key, []byte{0xaf, 0x82})))
	// FIPS 180-2, appendix B.1: SHA-256 of "abc".
	assert.Equal(t, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad", sum([]byte("abc")))
	path := filepath.Join(t.TempDir(), "abc")
	require.NoError(t, os.WriteFile(path, []byte("abc"), 0o600))
	got, err := HashFile(path)
	require.NoError(t, err)
	assert.Equal(t, sum([]byte("abc")), got)
}

// decide signs a decision.
func decide(dir, as, decision, note string, key ed25519.PrivateKey) (*Decision, error) {
	d, err := NewDecision(as, decision, note)
	if err != nil {
		return nil, err
	}
	_, err = Sign(dir, d, key, fixed)
	return d, err
}

// sealed gives a sealed folder with two decisions, and its scan.
func sealed(t *testing.T) (dir, scan string, key ed25519.PrivateKey) {
	t.Helper()
	root := t.TempDir()
	dir, scan, key = filepath.Join(root, "0001"), filepath.Join(root, "0001.jpg"), rfcKey(t)
	require.NoError(t, os.Mkdir(dir, 0o755))
	require.NoError(t, os.WriteFile(scan, []byte("abc"), 0o644))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "findings.json"), fmt.Appendf(nil, `{"scan": {"file": "0001.jpg", "sha256": %q}}`, sum([]byte("abc"))), 0o644))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "report.pdf"), []byte("a page"), 0o644))
	_, err := Seal(dir, scan, key, fixed)
	require.NoError(t, err)
	_, err = decide(dir, "A. Reed", "hold", "wait for the phosphatase test <&>", key)
	require.NoError(t, err)
	_, err = decide(dir, "Q. Ash", "accept", "", key)
	require.NoError(t, err)
	return dir, scan, key
}

func TestAWholeFolderIsWhole(t *testing.T) {
	dir, scan, key := sealed(t)
	for _, public := range []ed25519.PublicKey{nil, key.Public().(ed25519.PublicKey)} {
		r, err := Check(dir, filepath.Dir(scan), public)
		require.NoError(t, err)
		assert.Empty(t, r.Changed)
		assert.True(t, r.Scan)
		require.Len(t, r.Decisions, 2)
		assert.Equal(t, "A. Reed", r.Decisions[0].As)
		assert.Equal(t, "wait for the phosphatase test <&>", r.Decisions[0].Note)
		assert.Equal(t, "2026-03-04T09:30:00Z", r.Decisions[1].SignedAt)
		assert.Equal(t, map[string]string{"findings.json": r.Manifest.Files["findings.json"], "report.pdf": sum([]byte("a page"))}, r.Manifest.Files)
	}
}

func TestWhatWasChangedIsNamed(t *testing.T) {
	edit := func(name string, f func(string) string) func(t *testing.T, dir string) {
		return func(t *testing.T, dir string) {
			b, err := os.ReadFile(filepath.Join(dir, name))
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(f(string(b))), 0o644))
		}
	}
	lines := func(s string) []string { return strings.SplitAfter(s, "\n") }
	other := ed25519.NewKeyFromSeed(bytes.Repeat([]byte{7}, 32))
	for name, c := range map[string]struct {
		do   func(t *testing.T, dir string)
		want string
	}{
		"a file changed":      {edit("report.pdf", func(s string) string { return s + "." }), "report.pdf: was changed"},
		"a file added":        {func(t *testing.T, dir string) { require.NoError(t, os.WriteFile(filepath.Join(dir, "x"), nil, 0o644)) }, "x: was not there"},
		"a file removed":      {func(t *testing.T, dir string) { require.NoError(t, os.Remove(filepath.Join(dir, "report.pdf"))) }, "report.pdf: is gone"},
		"the scan swapped":    {func(t *testing.T, dir string) { require.NoError(t, os.WriteFile(dir+".jpg", []byte("abd"), 0o644)) }, "is not the scan"},
		"a hash in the seal":  {edit("seal.json", func(s string) string { return strings.Replace(s, `"report.pdf":"`, `"report.pdf":"0`, 1) }), "seal.json: was changed"},
		"spaces in the seal":  {edit("seal.json", func(s string) string { return " " + s }), "seal.json: was changed"},
		"no seal in the seal": {edit("seal.json", func(string) string { return "{}" }), "seal.json: "},
		"a word of a decision": {edit(decisionsFile, func(s string) string { return strings.Replace(s, "accept", "reject", 1) }),
			"line 2 was changed"},
		"the last line gone":  {edit(decisionsFile, func(s string) string { return lines(s)[0] }), "1 of 2 decisions are gone"},
		"the first line gone": {edit(decisionsFile, func(s string) string { return lines(s)[1] }), "line 1 holds decision 2"},
		"lines swapped":       {edit(decisionsFile, func(s string) string { return lines(s)[1] + lines(s)[0] }), "line 1 holds decision 2"},
		"a line twice":        {edit(decisionsFile, func(s string) string { return s + lines(s)[1] }), "line 3 holds decision 2"},
		"half a line":         {edit(decisionsFile, func(s string) string { return s[:len(s)-9] }), "line 2 was cut off"},
		"all decisions gone":  {func(t *testing.T, dir string) { require.NoError(t, os.Remove(filepath.Join(dir, decisionsFile))) }, "2 of 2 decisions are gone"},
		"decisions, head gone": {func(t *testing.T, dir string) {
			os.Remove(filepath.Join(dir, decisionsFile))
			os.Remove(filepath.Join(dir, headFile))
		}, "head.json: is gone"},
		"a head edited": {edit(headFile, func(s string) string { return strings.Replace(s, `"decisions":2`, `"decisions":1`, 1) }), "head.json: was changed"},
		"sealed anew": {func(t *testing.T, dir string) {
			for _, f := range []string{sealFile, decisionsFile, headFile} {
				require.NoError(t, os.Remove(filepath.Join(dir, f)))
			}
			_, err := Seal(dir, "", other, fixed)
			require.NoError(t, err)
		}, "signed with another key"},
	} {
		t.Run(name, func(t *testing.T) {
			dir, scan, key := sealed(t)
			c.do(t, dir)
			r, err := Check(dir, scan, key.Public().(ed25519.PublicKey))
			require.NoError(t, err)
			require.NotEmpty(t, r.Changed)
			assert.Contains(t, strings.Join(r.Changed, "\n"), c.want)
			if name != "the scan swapped" { // the scan is not in the folder
				_, err = decide(dir, "A. Reed", "accept", "", key)
				assert.ErrorContains(t, err, "cannot be signed")
			}
		})
	}
}

// Decisions of another folder with the same key do not fit.
func TestDecisionsBelongToTheirSeal(t *testing.T) {
	dir, _, key := sealed(t)
	b := filepath.Join(t.TempDir(), "b")
	require.NoError(t, os.Mkdir(b, 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(b, "findings.json"), []byte(`{"scan": {"file": "b.jpg", "sha256": "00"}}`), 0o644))
	_, err := Seal(b, "", key, fixed)
	require.NoError(t, err)
	for _, f := range []string{decisionsFile, headFile} {
		data, err := os.ReadFile(filepath.Join(dir, f))
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(filepath.Join(b, f), data, 0o644))
	}
	r, err := Check(b, "", nil)
	require.NoError(t, err)
	assert.Contains(t, strings.Join(r.Changed, "\n"), "line 1 does not follow")
}

// A power cut between the decision and its head leaves a folder that can be signed on.
func TestASigningCutOffGoesOn(t *testing.T) {
	dir, scan, key := sealed(t)
	before, err := os.ReadFile(filepath.Join(dir, headFile))
	require.NoError(t, err)
	_, err = decide(dir, "A. Reed", "reject", "smells of smoke", key)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(dir, headFile), before, 0o644))
	r, err := Check(dir, scan, nil)
	require.NoError(t, err)
	assert.Empty(t, r.Changed)
	d, err := decide(dir, "A. Reed", "accept", "", key)
	require.NoError(t, err)
	assert.Equal(t, 4, d.Number)
}

func TestWhatCannotBeSealedOrSigned(t *testing.T) {
	dir, scan, key := sealed(t)
	_, err := Seal(dir, scan, key, fixed)
	assert.ErrorContains(t, err, "is sealed already")
	_, err = Seal(t.TempDir(), "", key, fixed)
	assert.ErrorContains(t, err, "holds no findings.json")
	_, err = Check(t.TempDir(), "", nil)
	assert.ErrorContains(t, err, "is not sealed")
	_, err = decide(dir, " ", "accept", "", key)
	assert.ErrorContains(t, err, "needs the name")
	_, err = decide(dir, "A. Reed", "maybe", "", key)
	assert.ErrorContains(t, err, "accept, reject, hold")
	_, err = decide(dir, "A. Reed", "reject", "", key)
	assert.ErrorContains(t, err, "needs a note")
	for _, f := range []string{sealFile, decisionsFile, headFile} {
		require.NoError(t, os.Remove(filepath.Join(dir, f)))
	}
	require.NoError(t, os.WriteFile(scan, []byte("another"), 0o644))
	_, err = Seal(dir, scan, key, fixed)
	assert.ErrorContains(t, err, "is not the scan")
	require.NoError(t, os.Mkdir(filepath.Join(dir, "sub"), 0o755))
	_, err = Seal(dir, "", key, fixed)
	assert.ErrorContains(t, err, "no ordinary file")
}

func TestKeys(t *testing.T) {
	path := filepath.Join(t.TempDir(), "plant.key")
	public, err := NewKey(path)
	require.NoError(t, err)
	private, err := PrivateKey(path)
	require.NoError(t, err)
	assert.Equal(t, public, private.Public())
	again, err := PublicKey(path + ".pub")
	require.NoError(t, err)
	assert.Equal(t, public, again)
	st, err := os.Stat(path)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o600), st.Mode().Perm())
	_, err = NewKey(path)
	assert.ErrorContains(t, err, "never overwritten")
	_, err = PrivateKey(path + ".pub")
	assert.ErrorContains(t, err, "name a file that penarm key left")
	// Another program reads the key, and finds the same public one (RFC 8410).
	if _, err := exec.LookPath("openssl"); err == nil {
		out, err := exec.Command("openssl", "pkey", "-in", path, "-pubout").Output()
		require.NoError(t, err)
		want, err := os.ReadFile(path + ".pub")
		require.NoError(t, err)
		assert.Equal(t, string(want), string(out))
	}
}
