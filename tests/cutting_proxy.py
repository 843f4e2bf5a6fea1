"""A connection to a server that breaks where a test wants it to.

The proxy listens on a port of 127.0.0.1 and passes everything on, until what the client has sent says that it is to be
cut: then whatever was passed on arrives, and no answer comes back.
"""

import select
import socket
import threading


class CuttingProxy:
    """A context manager: it listens inside.

    Parameters
    ----------
    port : int
        Where the server listens.
    cut : callable
        Given all that the client has sent over a connection so far; returns whether it is cut now.
    """

    def __init__(self, port, cut):
        self._server_port = port
        self.cut = cut
        self.cuts = 0
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._accept)

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._ended.set()
        self._thread.join()
        self._listener.close()

    def _accept(self):
        passing = []
        while not self._ended.is_set():
            if select.select([self._listener], [], [], 0.02)[0]:
                client, _ = self._listener.accept()
                thread = threading.Thread(target=self._pass, args=(client,))
                thread.start()
                passing.append(thread)
        for thread in passing:
            thread.join()

    def _pass(self, client):
        said = bytearray()
        with client, socket.create_connection(("127.0.0.1", self._server_port)) as server:
            while not self._ended.is_set():
                for ready in select.select([client, server], [], [], 0.02)[0]:
                    data = ready.recv(65536)
                    if not data:
                        return
                    if ready is server:
                        client.sendall(data)
                        continue
                    said += data
                    server.sendall(data)
                    if self.cut(said):
                        self.cuts += 1
                        # The server has answered, so it has done what it was asked; the answer goes nowhere.
                        select.select([server], [], [], 10.0)
                        return
