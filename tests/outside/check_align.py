"""Registration and warp against OpenCV, scikit-image, SciPy and NumPy. Usage: check_align.py build/release

- shift of a pair: skimage.registration.phase_cross_correlation (upsampled DFT of Guizar-Sicairos, Thurman & Fienup 2008)
  and cv2.phaseCorrelate, on a picture shifted by Fourier's theorem;
- scale and turn of a pair: cv2.findTransformECC (Evangelidis & Psarakis 2008);
- warp: scipy.ndimage.affine_transform of order 5 and cv2.warpAffine with INTER_LANCZOS4;
- the kernel's coefficients: derived again from the least-squares design that warp.h names.
"""
import ctypes as C
import glob
import sys

try:
    import cv2
    import numpy as np
    from scipy import ndimage
    from skimage.registration import phase_cross_correlation
except ImportError as e:
    print(f"{e}: the outside checks need python3-numpy, -scipy, -opencv and -skimage")
    sys.exit(77)

found = sorted(glob.glob(sys.argv[1] + "/librailfold.so.*"))
if not found:
    print("no shared library was built")
    sys.exit(1)
lib = C.CDLL(found[0])


class Image(C.Structure):
    _fields_ = [("data", C.c_void_p), ("width", C.c_int), ("height", C.c_int), ("channels", C.c_int),
                ("sample", C.c_int), ("stride", C.c_size_t)]


class Pose(C.Structure):
    _fields_ = [(n, C.c_double) for n in ("a", "b", "tx", "c", "d", "ty")] + [("gain", C.c_double * 3), ("usable", C.c_int)]

    def matrix(self):
        return np.array([[self.a, self.b, self.tx], [self.c, self.d, self.ty]])


class Options(C.Structure):
    _fields_ = [(n, C.c_int) for n in ("full_width", "full_height", "reduce", "frame_count", "reference", "no_gain")]


class Error(C.Structure):
    _fields_ = [("code", C.c_int), ("text", C.c_char * 1024)]


def image(array):
    """A borrowed view of a C-ordered array."""
    sample = {np.dtype(np.uint8): 0, np.dtype(np.uint16): 1, np.dtype(np.float32): 2}[array.dtype]
    channels = 1 if array.ndim == 2 else array.shape[2]
    return Image(array.ctypes.data, array.shape[1], array.shape[0], channels, sample, array.strides[0])


failures = 0


def check(name, value, limit):
    global failures
    good = value <= limit
    failures += not good
    print(f"{'ok  ' if good else 'FAIL'} {name}: {value:.5f} (limit {limit})")


def register(a, b):
    """Pose of b against a."""
    h, w = a.shape
    err, align, result, poses = Error(), C.c_void_p(), C.create_string_buffer(1024), (Pose * 2)()
    options = Options(w, h, 1, 2, 0, 0)
    status = lib.rf_align_create(C.byref(align), C.byref(options), None, C.byref(err))
    for frame in (a, b):
        frame = np.ascontiguousarray(frame, np.float32)
        status = status or lib.rf_align_add_frame(align, C.byref(image(frame)), C.byref(err))
    status = status or lib.rf_align_solve(align, poses, result, C.byref(err))
    lib.rf_align_destroy(C.byref(align))
    if status:
        sys.exit(f"rf_align: {err.text.decode()}")
    return poses[1]


def picture(seed, h=400, w=600):
    """Texture with the spectrum of a picture (amplitude 1 / frequency), periodic, 0.1..0.9."""
    rng = np.random.default_rng(seed)
    fy, fx = np.meshgrid(np.fft.fftfreq(h), np.fft.rfftfreq(w), indexing="ij")
    f = np.hypot(fx, fy)
    amplitude = np.where(f > 0, 1 / np.maximum(f, 0.01), 0) * np.exp(-(f / 0.2) ** 2)
    p = np.fft.irfft2(amplitude * np.exp(2j * np.pi * rng.random(f.shape)), (h, w))
    p = (p - p.min()) / (p.max() - p.min())
    return 0.1 + 0.8 * p


def shifted(p, dx, dy):
    return np.fft.ifft2(ndimage.fourier_shift(np.fft.fft2(p), (dy, dx))).real


# ---- shifts ----
rng = np.random.default_rng(11)
worst = dict(truth=0, skimage=0, opencv=0, skimage_truth=0, opencv_truth=0)
for seed, (dx, dy) in enumerate([(0.3, -0.7), (5.25, 3.5), (-11.8, 7.1), (24.4, -16.6)]):
    a = picture(seed)
    b = shifted(a, dx, dy) + rng.normal(0, 0.004, a.shape)
    a = a + rng.normal(0, 0.004, a.shape)
    c = np.array([299.5, 199.5])
    pose = register(a, b)
    ours = pose.matrix() @ [*c, 1] - c
    sk = -phase_cross_correlation(a, b, upsample_factor=100)[0][::-1]
    cv = np.array(cv2.phaseCorrelate(a, b, cv2.createHanningWindow((600, 400), cv2.CV_64F))[0])
    worst["truth"] = max(worst["truth"], np.abs(ours - [dx, dy]).max())
    worst["skimage"] = max(worst["skimage"], np.abs(ours - sk).max())
    worst["opencv"] = max(worst["opencv"], np.abs(ours - cv).max())
    worst["skimage_truth"] = max(worst["skimage_truth"], np.abs(sk - [dx, dy]).max())
    worst["opencv_truth"] = max(worst["opencv_truth"], np.abs(cv - [dx, dy]).max())
check("shift against the truth, px", worst["truth"], 0.01)
print(f"     (against the truth: phase_cross_correlation {worst['skimage_truth']:.3f}, phaseCorrelate {worst['opencv_truth']:.3f})")
check("shift against phase_cross_correlation, px", worst["skimage"], 0.03)  # noise in its whitened bins; its step is 0.01
check("shift against cv2.phaseCorrelate, px", worst["opencv"], 0.3)         # a centroid of 5 x 5 about a whitened peak

# ---- similarity ----
big = picture(21, 480, 700)
for scale, turn in ((1.004, 0.001), (0.996, -0.002)):
    a = big[40:440, 50:650]
    m = np.array([[scale * np.cos(turn), -scale * np.sin(turn)], [scale * np.sin(turn), scale * np.cos(turn)]])
    c, t = np.array([299.5, 199.5]), np.array([3.3, -4.7])
    # frame pixel q shows reference pixel m^-1 (q - c - t) + c
    y, x = np.mgrid[0:400, 0:600].astype(float)
    q = np.stack([x - c[0] - t[0], y - c[1] - t[1]])
    p = np.tensordot(np.linalg.inv(m), q, 1) + c[:, None, None]
    b = ndimage.map_coordinates(big, [p[1] + 40, p[0] + 50], order=5, mode="wrap")
    a, b = a + rng.normal(0, 0.004, a.shape), b + rng.normal(0, 0.004, a.shape)
    truth = np.hstack([m, (c + t - m @ c)[:, None]])
    corners = np.array([[0, 0, 1], [599, 0, 1], [0, 399, 1], [599, 399, 1]], float).T
    ours = register(a, b).matrix()
    check("similarity against the truth, px at a corner", np.hypot(*((ours - truth) @ corners)).max(), 0.02)
    ecc = truth.astype(np.float32) + np.float32([[0, 0, 0.8], [0, 0, -0.6]])
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 200, 1e-8)
    _, ecc = cv2.findTransformECC(a.astype(np.float32), b.astype(np.float32), ecc, cv2.MOTION_AFFINE, stop, None, 5)
    check("similarity against cv2.findTransformECC, px at a corner", np.hypot(*((ours - ecc) @ corners)).max(), 0.05)

# ---- warp ----
rgb = np.dstack([picture(s, 300, 500) for s in (31, 32, 33)])
frame = np.round(255 * rgb).astype(np.uint8)
for scale, turn in ((1.0, 0.0), (1.006, 0.0015), (0.985, -0.0026)):
    c, t = np.array([249.5, 149.5]), np.array([2.37, -3.61])
    m = np.array([[scale * np.cos(turn), -scale * np.sin(turn)], [scale * np.sin(turn), scale * np.cos(turn)]])
    shift = c + t - m @ c
    pose = Pose(m[0, 0], m[0, 1], shift[0], m[1, 0], m[1, 1], shift[1], (C.c_double * 3)(1, 1, 1), 1)
    out, covered = np.zeros((300, 500, 3), np.float32), np.zeros((300, 500), np.uint8)
    lib.rf_warp_image(C.byref(image(frame)), C.byref(pose), C.byref(image(out)), C.byref(image(covered)), None)
    inside = cv2.erode(covered, np.ones((9, 9), np.uint8)) > 0     # the others reach further
    ours = 255 * out[inside]
    flip = m[::-1, ::-1]
    spline = np.dstack([ndimage.affine_transform(frame[..., k].astype(float), flip, shift[::-1], order=5) for k in range(3)])
    lanczos = cv2.warpAffine(frame.astype(np.float32), np.hstack([m, shift[:, None]]), (500, 300),
                             flags=cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP)
    rms = lambda v: float(np.sqrt(np.mean((ours - v[inside]) ** 2)))
    # The quantisation noise of the frame (0.29 of a level) lies beyond the kernels' common band and passes differently.
    check("warp against a spline of order 5, rms in 8-bit levels", rms(spline), 0.25)
    check("warp against INTER_LANCZOS4, rms in 8-bit levels", rms(lanczos), 0.4)  # it rounds positions to 1/32 px

# ---- kernel ----
f, k = np.linspace(0, 1, 401), np.arange(-2, 4)
node, weight = np.polynomial.legendre.leggauss(200)
omega = (node + 1) / 2 * 0.7 * np.pi
weight = weight / (omega ** 2 + 0.02 ** 2)
system = np.ones((7, 7))
system[:6, :6] = (weight * np.cos(omega * (k[:, None] - k[None, :])[..., None])).sum(-1)
system[6, 6] = 0
best = np.array([np.linalg.solve(system, np.append((weight * np.cos(omega * (k - x)[:, None])).sum(-1), 1))[:6] for x in f])
lib.rf_warp_weights.argtypes = [C.c_float, C.c_float * 6]
ours = np.zeros_like(best)
for i, x in enumerate(f):
    w = (C.c_float * 6)()
    lib.rf_warp_weights(x, w)
    ours[i] = w[:]
check("kernel against its design", np.abs(ours - best).max(), 3e-5)   # the polynomials' own fit
for frequency, limit in ((0.05, 0.008), (0.15, 0.008), (0.25, 0.027), (0.3, 0.027)):
    response = (ours * np.exp(-2j * np.pi * frequency * (k[None] - f[:, None]))).sum(1)
    check(f"kernel's error at {frequency} cycles a pixel", np.abs(response - 1).max(), limit)

sys.exit(1 if failures else 0)
