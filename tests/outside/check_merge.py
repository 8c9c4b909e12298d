#!/usr/bin/python3
"""check_merge.py BUILD - the merge against independent references.

1. Pyramid: REDUCE and EXPAND against OpenCV's pyrDown and pyrUp (the same 1 4 6 4 1 kernel, Burt & Adelson 1983) and a
   Gaussian pyramid by scipy.ndimage.convolve1d with mirrored borders.
2. A whole take of the take maker, merged by the program: SSIM and PSNR by scikit-image (Wang et al. 2004) against the
   exact sharp picture, poses and depth against the exact truth; the same take in reversed order; one and two threads.
3. --view parallel: an engraved grid at three depths has one pitch (spectral peak by numpy's FFT).
4. Outputs read by Pillow: format, size, depth, and their agreement."""
import ctypes, json, os, subprocess, sys, tempfile
import cv2
import numpy as np
from PIL import Image
from scipy import ndimage
from skimage.metrics import peak_signal_noise_ratio, structural_similarity

BUILD = os.path.abspath(sys.argv[1])
failed = False


def check(good, text):
    global failed
    failed |= not good
    print(('ok    ' if good else 'FAIL  ') + text)


class RfImage(ctypes.Structure):
    _fields_ = [('data', ctypes.c_void_p), ('width', ctypes.c_int), ('height', ctypes.c_int), ('channels', ctypes.c_int),
                ('sample', ctypes.c_int), ('stride_bytes', ctypes.c_size_t)]


def as_image(a):
    return RfImage(a.ctypes.data, a.shape[1], a.shape[0], a.shape[2], 2, a.strides[0])


def pyramid():
    library = ctypes.CDLL(next(os.path.join(BUILD, n) for n in sorted(os.listdir(BUILD)) if n.startswith('librailfold.so')))
    random = np.random.default_rng(1)
    for width, height in ((64, 48), (65, 49), (131, 70)):
        a = random.random((height, width, 3), np.float32)
        half = np.zeros(((height + 1) // 2, (width + 1) // 2, 3), np.float32)
        back = np.zeros_like(a)
        assert library.rf_pyramid_reduce(ctypes.byref(as_image(a)), ctypes.byref(as_image(half)), None, None) == 0
        assert library.rf_pyramid_expand(ctypes.byref(as_image(half)), ctypes.byref(as_image(back)), 0, None, None) == 0
        kernel = np.array([1, 4, 6, 4, 1]) / 16
        smooth = ndimage.convolve1d(ndimage.convolve1d(a.astype(np.float64), kernel, 0, mode='mirror'), kernel, 1, mode='mirror')
        worst = max(np.abs(half - smooth[::2, ::2]).max(), np.abs(half - cv2.pyrDown(a)).max())
        check(worst < 1e-6, f'REDUCE of {width}x{height} agrees with OpenCV and SciPy: {worst:.1e} (float rounding: 1e-6)')
        # At borders of odd sizes OpenCV repeats where we mirror; 4 px inside both must agree.
        worst = np.abs(back - cv2.pyrUp(half, dstsize=(width, height)))[4:-4, 4:-4].max()
        check(worst < 1e-6, f'EXPAND to {width}x{height} agrees with OpenCV inside: {worst:.1e}')


def run(*words):
    done = subprocess.run([str(w) for w in words], capture_output=True, text=True)
    if done.returncode:
        sys.exit(f'FAIL  {" ".join(map(str, words))}: {done.returncode}: {done.stderr}')
    return done


def read(path):
    picture = cv2.imread(path, cv2.IMREAD_UNCHANGED)
    return picture.astype(np.float32) / (65535 if picture.dtype == np.uint16 else 255)


def pose_error(report, truth):
    width, height = truth['width'], truth['height']
    corners = np.array([[0, 0, 1], [width - 1, 0, 1], [0, height - 1, 1], [width - 1, height - 1, 1]], float).T
    move = lambda m: np.array(m, float).reshape(2, 3) @ corners
    return [np.hypot(*(move(f['matrix']) - move(t['matrix']))).max() for f, t in zip(report['frames'], truth['frames'])]


def whole_take(folder):
    take = folder + '/pebble'
    run(BUILD + '/tools/take-maker', '--quiet', '--scene', 'pebble', '--size', '600x400', '--frames', 20, '--seed', 5, take)
    merge = lambda out, *more: run(BUILD + '/railfold', 'merge', '-q', '--force', '-o', out + '.tif', '--depth',
                                   out + '_depth.tif', '--report', out + '.json', *more, take + '/frames')
    one, two, back = folder + '/one', folder + '/two', folder + '/back'
    merge(one, '--threads', 1)
    merge(two, '--threads', 2)
    merge(back, '--reverse', '--reference', 19 - 10)
    same = all(open(one + e, 'rb').read() == open(two + e, 'rb').read() for e in ('.tif', '_depth.tif'))
    check(same, 'one and two threads write the same bytes')
    truth = json.load(open(take + '/truth/truth.json'))
    merged, sharp = read(one + '.tif'), read(take + '/truth/sharp.tif')
    subject = cv2.imread(take + '/truth/subject.png', 0) > 0
    inside = np.s_[16:-16, 16:-16]
    grey = lambda p: cv2.cvtColor(p, cv2.COLOR_BGR2GRAY)
    psnr = peak_signal_noise_ratio(sharp[inside][subject[inside]], merged[inside][subject[inside]], data_range=1)
    _, local = structural_similarity(grey(sharp), grey(merged), data_range=1, gaussian_weights=True, sigma=1.5,
                                     use_sample_covariance=False, full=True)
    ssim = local[inside][subject[inside]].mean()
    best = max(peak_signal_noise_ratio(sharp[inside][subject[inside]], read(f'{take}/{f["file"]}')[inside][subject[inside]],
                                       data_range=1) for f in truth['frames'])
    # The middle frame of this take has some 24 dB; a merge that lost its outlines or poses falls below 30.
    check(psnr > 31 and psnr > best + 5, f'PSNR on the subject {psnr:.2f} dB by scikit-image (best single frame {best:.2f}; at least 31)')
    check(ssim > 0.93, f'SSIM on the subject {ssim:.4f} by scikit-image (at least 0.93)')
    errors = pose_error(json.load(open(one + '.json')), truth)
    # Frames at the ends of this small take hold next to nothing in focus; the middle ones must be right.
    check(np.median(errors) < 0.25, f'poses: corner error median {np.median(errors):.3f} px, worst {max(errors):.3f} px (median below 0.25)')
    depth, exact = cv2.imread(one + '_depth.tif', -1), cv2.imread(take + '/truth/depth.tif', -1)
    textured = (cv2.imread(take + '/truth/textured.png', 0) > 0) & (cv2.imread(take + '/truth/edges.png', 0) == 0) & subject
    error = np.abs(depth - exact)[inside][textured[inside]]
    check(np.median(error) < 0.15, f'depth on texture: median error {np.median(error):.3f} step (below 0.15)')
    turned = peak_signal_noise_ratio(sharp[inside][subject[inside]], read(back + '.tif')[inside][subject[inside]], data_range=1)
    # A veil taken for nearer than the part that casts it cost 4 dB at depth edges, 2 dB in all.
    check(abs(turned - psnr) < 0.3, f'a retreating rail gives as good a picture: {turned:.2f} dB (within 0.3, poses anew)')
    mirrored = 19 - cv2.imread(back + '_depth.tif', -1)
    differ = np.median(np.abs(mirrored - depth)[inside][textured[inside]])
    check(differ < 0.05, f'reversed order mirrors the depth: median difference {differ:.4f} step (poses anew: below 0.05)')
    return one


def grid_pitch(picture, x0, x1):
    """Grid lines per pixel along y in the columns x0..x1: the frequency whose first six harmonics hold most."""
    line = picture[8:-8, x0:x1].mean(1)
    line = (line - line.mean()) * np.hanning(line.size)
    spectrum, size = np.abs(np.fft.rfft(line, 1 << 21)), 1 << 21
    near = np.arange(int(size / 34), int(size / 27))
    return near[sum(spectrum[m * near] for m in range(1, 7)).argmax()] / size


def parallel(folder):
    """Three plates side by side, each engraved with the same grid, about 30 px, the first nearest."""
    take, out = folder + '/grid', folder + '/scale'
    run(BUILD + '/tools/take-maker', '--quiet', '--scene', 'grid', '--size', '900x600', '--frames', 24, '--distance', 400,
        '--seed', 3, take)
    spread = {}
    for view in ('perspective', 'parallel'):
        run(BUILD + '/railfold', 'merge', '-q', '--force', '--view', view, '-o', f'{out}-{view}.tif', '--depth',
            f'{out}-{view}-depth.tif', take + '/frames')
        picture = cv2.cvtColor(read(f'{out}-{view}.tif'), cv2.COLOR_BGR2GRAY)
        pitches = [grid_pitch(picture, x, x + 220) for x in (40, 340, 640)]
        spread[view] = (max(pitches) / min(pitches) - 1) * 100
    check(spread['parallel'] < 0.2, f'grid at three depths: pitch differs by {spread["parallel"]:.3f} % to scale (at most 0.2)')
    check(spread['perspective'] > 1, f'and by {spread["perspective"]:.2f} % in perspective (more than 1: the check can fail)')


def fine_steps(folder):
    """Steps much finer than the depth of field: focus curves dozens of frames wide."""
    take, out = folder + '/fine', folder + '/fine.tif'
    run(BUILD + '/tools/take-maker', '--quiet', '--scene', 'stairs', '--size', '480x320', '--frames', 64, '--blur', 0.3, '--seed', 5, take)
    run(BUILD + '/railfold', 'merge', '-q', '--force', '-o', out, take + '/frames')
    psnr = peak_signal_noise_ratio(read(take + '/truth/sharp.tif')[16:-16, 16:-16], read(out)[16:-16, 16:-16], data_range=1)
    # Depth read off every frame gave 37.5 dB here.
    check(psnr > 42, f'64 frames with 0.3 px of blur a step: PSNR {psnr:.2f} dB by scikit-image (at least 42)')


def coarse_steps(folder):
    """Steps that blur by many pixels: whole frames lose all detail from one to the next and tell nothing of it."""
    take, out = folder + '/coarse', folder + '/coarse'
    run(BUILD + '/tools/take-maker', '--quiet', '--scene', 'stairs', '--size', '600x400', '--frames', 16, '--blur', 4, '--seed', 5, take)
    run(BUILD + '/railfold', 'merge', '-q', '--force', '-o', out + '.tif', '--depth', out + '_depth.tif', '--confidence',
        out + '_confidence.tif', '--report', out + '.json', take + '/frames')
    blur = json.load(open(out + '.json'))['blur_px_per_step']
    check(blur is not None and abs(blur / 4 - 1) < 0.1, f'blur of 4 px a step is told: {blur} (within 10 %, as veils need)')
    psnr = peak_signal_noise_ratio(read(take + '/truth/sharp.tif')[16:-16, 16:-16], read(out + '.tif')[16:-16, 16:-16], data_range=1)
    # With the blur not told the picture was made as if it were 1.1 px: 37.3 dB here.
    check(psnr > 38.5, f'16 frames with 4 px of blur a step: PSNR {psnr:.2f} dB by scikit-image (at least 38.5)')
    exact, depth = (cv2.imread(f, -1) for f in (take + '/truth/depth.tif', out + '_depth.tif'))
    sure, textured = cv2.imread(out + '_confidence.tif', -1) > 0.5, cv2.imread(take + '/truth/textured.png', 0) > 0
    strip = np.ones(depth.shape, bool)
    strip[12:-12, 12:-12] = False
    wrong = (np.abs(depth - exact) > 0.5)[strip & textured & sure].sum() / (strip & textured).sum()
    # Where frames beside a depth do not cover the place its confidence is low; before that it was 0.7 %.
    check(wrong < 0.004, f'within 12 px of the border {100 * wrong:.1f} % are surely wrong (below 0.4 %)')


def outputs(folder, one):
    take = folder + '/pebble'
    for ending in ('png', 'jpg'):
        run(BUILD + '/railfold', 'merge', '-q', '--force', '-o', f'{folder}/o.{ending}', take + '/frames')
    tiff, png = read(one + '.tif'), read(folder + '/o.png')
    check((tiff == png).all(), 'TIFF and PNG hold the same 16-bit samples (OpenCV)')
    jpeg = np.asarray(Image.open(folder + '/o.jpg').convert('RGB'))[..., ::-1] / 255.0
    check(np.abs(jpeg - tiff).mean() < 1.5 / 255, f'JPEG (Pillow) differs by {np.abs(jpeg - tiff).mean() * 255:.2f} levels on the mean (below 1.5)')
    exif = Image.open(folder + '/o.jpg').getexif()
    check(str(exif.get(0x0131, '')).startswith('railfold'), f'Software in EXIF (Pillow): {exif.get(0x0131)}')
    check(exif.get_ifd(0x8769).get(0x829A) == 0.5, f'exposure time in EXIF (Pillow): {exif.get_ifd(0x8769).get(0x829A)} s')


pyramid()
with tempfile.TemporaryDirectory() as scratch:
    outputs(scratch, whole_take(scratch))
    parallel(scratch)
    fine_steps(scratch)
    coarse_steps(scratch)
sys.exit(failed)
