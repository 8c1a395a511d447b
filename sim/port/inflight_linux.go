package port

import (
	"encoding/binary"
	"net"
	"net/netip"

	"golang.org/x/sys/unix"
)

// unreadBy is how many of the bytes written to a connection its far side has not read:
// those that have not come to its socket, and those that wait there. known is false
// where the far side is not on this machine. What the near side's kernel can tell would
// not do: it counts what is not acknowledged, and acknowledgements come late.
func unreadBy(conn net.Conn, written int64) (n int, known bool) {
	for range 2 { // what came between the kernel's two looks shows at the second
		come, waits, known := arrived(conn.RemoteAddr(), conn.LocalAddr())
		if n = int(written-come) + waits; n != 0 || !known {
			return max(n, 0), known
		}
	}
	return 0, true
}

// receivedBy is how many bytes have come to a connection from its far side, and the end
// of them counts as one.
func receivedBy(conn net.Conn) (n int64, known bool) {
	tcp, ok := conn.(*net.TCPConn)
	if !ok {
		return 0, false
	}
	raw, err := tcp.SyscallConn()
	if err != nil {
		return 0, false
	}
	if err := raw.Control(func(fd uintptr) {
		info, err := unix.GetsockoptTCPInfo(int(fd), unix.IPPROTO_TCP, unix.TCP_INFO)
		if known = err == nil; known {
			n = int64(info.Bytes_received)
		}
	}); err != nil {
		return 0, false
	}
	return n, known
}

// Of linux/inet_diag.h, linux/sock_diag.h and linux/tcp.h.
const (
	sockDiagByFamily = 20
	diagRequest      = 56  // bytes of struct inet_diag_req_v2
	diagMessage      = 72  // bytes of struct inet_diag_msg
	diagQueue        = 56  // where idiag_rqueue is in it
	diagInfo         = 2   // INET_DIAG_INFO: a struct tcp_info
	infoReceived     = 128 // where tcpi_bytes_received is in it
)

// arrived asks the kernel for the socket that is at own and connected to peer: how
// many bytes have come to it, and how many of them wait for its program.
func arrived(own, peer net.Addr) (come int64, waits int, known bool) {
	a, errA := netip.ParseAddrPort(own.String())
	b, errB := netip.ParseAddrPort(peer.String())
	if errA != nil || errB != nil {
		return 0, 0, false
	}
	fd, err := unix.Socket(unix.AF_NETLINK, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, unix.NETLINK_SOCK_DIAG)
	if err != nil {
		return 0, 0, false
	}
	defer unix.Close(fd)
	req := make([]byte, unix.SizeofNlMsghdr+diagRequest)
	ne, be := binary.NativeEndian, binary.BigEndian
	ne.PutUint32(req[0:], uint32(len(req)))
	ne.PutUint16(req[4:], sockDiagByFamily)
	ne.PutUint16(req[6:], unix.NLM_F_REQUEST)
	body := req[unix.SizeofNlMsghdr:]
	body[0] = unix.AF_INET6
	if a.Addr().Unmap().Is4() {
		body[0] = unix.AF_INET
	}
	body[1], body[2] = unix.IPPROTO_TCP, 1<<(diagInfo-1)
	ne.PutUint32(body[4:], 0xffffffff) // sockets in all states
	be.PutUint16(body[8:], a.Port())
	be.PutUint16(body[10:], b.Port())
	copy(body[12:28], a.Addr().Unmap().AsSlice())
	copy(body[28:44], b.Addr().Unmap().AsSlice())
	ne.PutUint32(body[48:], 0xffffffff) // and with any cookie
	ne.PutUint32(body[52:], 0xffffffff)
	if err := unix.Sendto(fd, req, 0, &unix.SockaddrNetlink{Family: unix.AF_NETLINK}); err != nil {
		return 0, 0, false
	}
	var buf [2048]byte
	got, _, err := unix.Recvfrom(fd, buf[:], 0)
	if err != nil || got < unix.SizeofNlMsghdr+diagMessage || ne.Uint16(buf[4:]) != sockDiagByFamily {
		return 0, 0, false
	}
	msg := buf[unix.SizeofNlMsghdr:got]
	for rest := msg[diagMessage:]; len(rest) >= unix.SizeofRtAttr; {
		length := int(ne.Uint16(rest))
		if length < unix.SizeofRtAttr || length > len(rest) {
			break
		}
		if info := rest[unix.SizeofRtAttr:length]; ne.Uint16(rest[2:]) == diagInfo && len(info) >= infoReceived+8 {
			return int64(ne.Uint64(info[infoReceived:])), int(ne.Uint32(msg[diagQueue:])), true
		}
		rest = rest[min((length+3)&^3, len(rest)):]
	}
	return 0, 0, false
}
