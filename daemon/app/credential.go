package app

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"beltwarden/config"
)

// credentialVariable is where the service manager says which folder holds what it has
// handed to this service.
const credentialVariable = "CREDENTIALS_DIRECTORY"

// ErrNoManager: a setting names a credential, and no service manager has handed any to
// this process.
var ErrNoManager = errors.New("no service manager has handed any to this process")

// SecretPath returns the file that a setting with a secret means: a path as it is, and
// a credential where the service manager has put it. The error contains nothing secret.
func SecretPath(file string) (string, error) {
	name, ok := config.Credential(file)
	if !ok {
		return file, nil
	}
	folder := os.Getenv(credentialVariable)
	if !filepath.IsAbs(folder) {
		return "", fmt.Errorf("cannot read the credential %s: %w; start it as a service, or set %s to a folder with such a file", name, ErrNoManager, credentialVariable)
	}
	path := filepath.Join(folder, name)
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return "", fmt.Errorf("cannot read the credential %s: the service manager has handed over none of that name; add LoadCredential=%s:/FILE to the service with `systemctl edit beltwarden`", name, name)
	}
	return path, nil
}

// secretPaths looks up several.
func secretPaths(files ...string) ([]string, error) {
	paths, errs := make([]string, len(files)), make([]error, len(files))
	for i, file := range files {
		paths[i], errs[i] = SecretPath(file)
	}
	return paths, errors.Join(errs...)
}
