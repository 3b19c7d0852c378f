package serialport

import (
	"bufio"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"
)

// Holder returns the id of the process that holds the lock of a port, and 0 when
// nobody does. It reads the kernel's table of locks and does not touch the port:
// opening a line raises its modem lines, which can reset a gauge interface. A
// program that does not lock the port is not seen, nor is one in a container of
// its own.
func Holder(path string) int { return holder("/proc", path) }

func holder(procRoot, path string) int {
	var st unix.Stat_t
	if err := unix.Stat(path, &st); err != nil {
		return 0
	}
	f, err := os.Open(filepath.Join(procRoot, "locks"))
	if err != nil {
		return 0
	}
	defer f.Close()
	want := fmt.Sprintf("%02x:%02x:%d", unix.Major(st.Dev), unix.Minor(st.Dev), st.Ino)
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		// 1: FLOCK  ADVISORY  WRITE 1234 00:18:3 0 EOF
		field := strings.Fields(lines.Text())
		if len(field) < 6 || field[1] != "FLOCK" || field[5] != want {
			continue
		}
		if pid, err := strconv.Atoi(field[4]); err == nil && pid > 0 {
			return pid
		}
	}
	return 0
}
