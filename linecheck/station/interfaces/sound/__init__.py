"""Sound devices through PortAudio, worked from a process of their own."""
