// Package serialport opens the serial line of a readout.
//
// A port is named by its path ("/dev/ttyUSB0", "/dev/serial/by-id/…") or by the
// identity of its USB adapter ("usb:VID:PID" or "usb:VID:PID:SERIAL", numbers in
// hexadecimal). The identity is looked up in the system's device tree at every
// opening, so that an adapter plugged into another socket is found again. Ports
// are listed from there too and never by opening them: on Linux, opening a line
// just to list it reprograms it under the feet of whoever is reading it.
//
// Use is exclusive. An advisory lock (flock) on the device keeps a second
// ringsaddle out, also where the kernel's own exclusive mode does not: it does
// not bind root, and a second user who closes the line lifts it.
//
// Linux only.
package serialport
