/* The control of the power cuts: preloaded, every request to put data onto the disk succeeds at once and does nothing. */
int fsync(int fd) { return (void)fd, 0; }
int fdatasync(int fd) { return (void)fd, 0; }
