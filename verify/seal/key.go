package seal

import (
	"crypto/ed25519"
	"crypto/rand"
	"crypto/x509"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"os"
)

// NewKey makes a key pair: the private key at path (PKCS #8, RFC 8410, in PEM),
// readable by its owner alone, the public one at path + ".pub" (PKIX). Neither
// file may be there yet.
func NewKey(path string) (ed25519.PublicKey, error) {
	public, private, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return nil, err
	}
	secret, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		return nil, err
	}
	open, err := x509.MarshalPKIXPublicKey(public)
	if err != nil {
		return nil, err
	}
	if err := writeNew(path, 0o600, "PRIVATE KEY", secret); err != nil {
		return nil, err
	}
	if err := writeNew(path+".pub", 0o644, "PUBLIC KEY", open); err != nil {
		return nil, errors.Join(err, os.Remove(path))
	}
	return public, nil
}

func writeNew(path string, mode os.FileMode, kind string, der []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if errors.Is(err, os.ErrExist) {
		return fmt.Errorf("%s: is there already: a key is never overwritten, choose another name", path)
	}
	if err != nil {
		return err
	}
	err = errors.Join(pem.Encode(f, &pem.Block{Type: kind, Bytes: der}), f.Sync(), f.Close())
	if err != nil {
		err = errors.Join(err, os.Remove(path))
	}
	return err
}

// PrivateKey reads what NewKey wrote at path.
func PrivateKey(path string) (ed25519.PrivateKey, error) {
	der, err := block(path, "PRIVATE KEY")
	if err != nil {
		return nil, err
	}
	k, err := x509.ParsePKCS8PrivateKey(der)
	if key, ok := k.(ed25519.PrivateKey); err == nil && ok {
		return key, nil
	}
	return nil, fmt.Errorf("%s: is no Ed25519 key: make one with penarm key", path)
}

// PublicKey reads what NewKey wrote at path + ".pub".
func PublicKey(path string) (ed25519.PublicKey, error) {
	der, err := block(path, "PUBLIC KEY")
	if err != nil {
		return nil, err
	}
	k, err := x509.ParsePKIXPublicKey(der)
	if key, ok := k.(ed25519.PublicKey); err == nil && ok {
		return key, nil
	}
	return nil, fmt.Errorf("%s: is no public Ed25519 key: name the .pub file that penarm key left", path)
}

func block(path, kind string) ([]byte, error) {
	data, err := small(path)
	if err != nil {
		return nil, err
	}
	b, _ := pem.Decode(data)
	if b == nil || b.Type != kind {
		return nil, fmt.Errorf("%s: holds no %s in PEM: name a file that penarm key left", path, kind)
	}
	return b.Bytes, nil
}

// Fingerprint is a public key (hexadecimal) short enough to be read out: the
// first 16 digits of its SHA-256.
func Fingerprint(public string) string {
	b, err := hex.DecodeString(public)
	if err != nil {
		return "none"
	}
	return sum(b)[:16]
}
