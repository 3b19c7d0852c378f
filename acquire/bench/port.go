package bench

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
	"golang.org/x/term"
)

// line is a pseudo-terminal whose master side is the readout. The slave is set
// raw before the first byte and one handle of it stays open, so that a program
// may open and close the other end as often as it likes.
type line struct {
	master, slave *os.File
	// fullSince is when the slave's buffer was first found full with nobody reading.
	fullSince time.Time
}

func openLine() (*line, error) {
	m, s, err := pty.Open()
	if err != nil {
		return nil, fmt.Errorf("open a pseudo-terminal: %w", err)
	}
	if _, err := term.MakeRaw(int(s.Fd())); err != nil {
		err = fmt.Errorf("set the pseudo-terminal raw: %w", err)
		return nil, errors.Join(err, m.Close(), s.Close())
	}
	n, err := nonblocking(m)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("pseudo-terminal: %w", err), m.Close(), s.Close())
	}
	return &line{master: n, slave: s}, m.Close()
}

// nonblocking returns a handle of the same file that never waits and is watched
// by the runtime, so that Close ends a Read. The handle that comes with a new
// pseudo-terminal is a blocking one.
func nonblocking(f *os.File) (*os.File, error) {
	fd, err := unix.FcntlInt(f.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		return nil, err
	}
	if err := unix.SetNonblock(fd, true); err != nil {
		return nil, errors.Join(err, unix.Close(fd))
	}
	return os.NewFile(uintptr(fd), f.Name()), nil
}

func (l *line) path() string { return l.slave.Name() }

func (l *line) close() error { return errors.Join(l.master.Close(), l.slave.Close()) }

// send writes without ever waiting, as a wire does: what does not fit is lost.
// It returns how many bytes were lost.
func (l *line) send(b []byte) (lost int, err error) {
	conn, err := l.master.SyscallConn()
	if err != nil {
		return len(b), err
	}
	var n int
	var werr error
	err = conn.Write(func(fd uintptr) bool {
		n, werr = unix.Write(int(fd), b)
		return true
	})
	if err != nil {
		return len(b), err
	}
	if errors.Is(werr, unix.EAGAIN) || errors.Is(werr, unix.EINTR) {
		return len(b), nil
	}
	if werr != nil {
		return len(b), werr
	}
	return len(b) - n, nil
}

// fullBytes is how much the slave's buffer holds at most, nearly (4095 bytes).
const fullBytes = 4000

// discard throws away what has waited unread for more than a second: a serial
// line keeps nothing for a program that is not there.
func (l *line) discard(now time.Time) (bytes int) {
	n, err := unix.IoctlGetInt(int(l.slave.Fd()), unix.TIOCINQ)
	switch {
	case err != nil || n < fullBytes:
		l.fullSince = time.Time{}
		return 0
	case l.fullSince.IsZero():
		l.fullSince = now
		return 0
	case now.Sub(l.fullSince) < time.Second:
		return 0
	}
	if err := unix.IoctlSetInt(int(l.slave.Fd()), unix.TCFLSH, unix.TCIFLUSH); err != nil {
		return 0
	}
	l.fullSince = time.Time{}
	return n
}

// setLink makes path a symbolic link to target, replacing a link that is there
// but nothing else.
func setLink(path, target string) error {
	if st, err := os.Lstat(path); err == nil && st.Mode()&fs.ModeSymlink == 0 {
		return fmt.Errorf("link %s: there is something that is not a symbolic link; move it or choose another name", path)
	}
	tmp := filepath.Join(filepath.Dir(path), fmt.Sprintf(".%s.%d", filepath.Base(path), os.Getpid()))
	if err := os.Symlink(target, tmp); err != nil {
		return fmt.Errorf("link %s: %w", path, err)
	}
	if err := os.Rename(tmp, path); err != nil {
		return errors.Join(fmt.Errorf("link %s: %w", path, err), os.Remove(tmp))
	}
	return nil
}

// removeLink removes the link if it still is one.
func removeLink(path string) error {
	st, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) || err == nil && st.Mode()&fs.ModeSymlink == 0 {
		return nil
	}
	if err != nil {
		return err
	}
	return os.Remove(path)
}
