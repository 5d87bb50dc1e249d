// Several programs open an archive that nobody has opened before, as a daemon and
// a command do on a new box: each takes it as the first left it.
package journal

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
)

func TestOpenTogether(t *testing.T) {
	const programs, archives = 4, 8
	for n := range archives {
		path := filepath.Join(t.TempDir(), "new", "archive.sqlite")
		begin, done := make(chan struct{}), make(chan error, programs)
		for range programs {
			go func() {
				<-begin
				j, err := Open(path)
				if err == nil {
					err = j.Close()
				}
				done <- err
			}()
		}
		close(begin)
		for range programs {
			if err := <-done; err != nil {
				t.Errorf("archive %d: %v", n, err)
			}
		}
		// Nobody but the owner and its group looks in.
		if info, err := os.Stat(filepath.Dir(path)); err != nil || info.Mode().Perm() != 0o750 {
			t.Errorf("the folder's mode: %v, %v", fmt.Sprint(info.Mode()), err)
		}
	}
}
