#!/usr/bin/env python3
"""Reads and writes pictures against Pillow and OpenCV: what they write railfold must read, what railfold writes they must
read, bit for bit where the format is lossless. Usage: check_io.py build/release"""
import os
import subprocess
import sys
import tempfile

try:
    import cv2
    import numpy as np
    from PIL import Image, ImageCms, ImageOps
    from PIL.TiffImagePlugin import IFDRational
except ImportError as missing:
    print("needs numpy, OpenCV and Pillow:", missing)
    sys.exit(77)

TOOL = os.path.join(sys.argv[1], "tools", "frame-copy")
faults = []
checks = 0


def check(name, good, detail=""):
    global checks
    checks += 1
    if not good:
        faults.append(name)
        print("FAIL", name, detail)


def run(*arguments):
    """Runs the tool; its "key value" lines as a dictionary, or None when it failed."""
    done = subprocess.run([TOOL, *arguments], capture_output=True, text=True)
    if done.returncode != 0:
        print("  ", " ".join(arguments), "->", done.stderr.strip())
        return None
    return dict(line.split(" ", 1) for line in done.stdout.splitlines() if " " in line)


def pattern(height, width, channels, dtype):
    """Noise on a slope: no codec gets it right by luck. RGB order."""
    white = np.iinfo(dtype).max
    rng = np.random.default_rng(20)
    slope = np.add.outer(np.arange(height), np.arange(width))[..., None] * np.arange(1, channels + 1)
    noise = rng.integers(0, white // 3, (height, width, channels))
    return ((slope * (white // 512) + noise) % (white + 1)).astype(dtype).squeeze()


def load(path):
    """By OpenCV, as stored: bit depth kept, RGB order, nothing turned."""
    image = cv2.imread(path, cv2.IMREAD_UNCHANGED)
    return image if image is None or image.ndim == 2 else image[..., ::-1]


def same(path, expected, name):
    got = load(path)
    good = got is not None and got.dtype == expected.dtype and got.shape == expected.shape and (got == expected).all()
    check(name, good, "" if got is None else f"{got.dtype} {got.shape} for {expected.dtype} {expected.shape}")


def through(path, expected, name):
    """Reads `path` with railfold and compares what it makes of it, by way of TIFF and of PNG."""
    for ending in ("tif", "png"):
        out = f"out.{ending}"
        said = run(path, out)
        check(name + " is read", said is not None)
        if said is not None:
            same(out, expected, f"{name} -> {ending}")


def pillow_in():
    grey, rgb = pattern(61, 83, 1, np.uint8), pattern(61, 83, 3, np.uint8)
    for compression in (None, "tiff_lzw", "tiff_adobe_deflate", "packbits"):
        for kind, pixels in (("grey", grey), ("rgb", rgb)):
            Image.fromarray(pixels).save("in.tif", compression=compression)
            through("in.tif", pixels, f"Pillow TIFF {compression} {kind}")
    for kind, pixels in (("grey", grey), ("rgb", rgb)):
        Image.fromarray(pixels).save("in.png")
        through("in.png", pixels, f"Pillow PNG {kind}")
    Image.fromarray(np.dstack([rgb, grey])).save("in.png")
    through("in.png", rgb, "Pillow PNG with alpha")
    palette = Image.fromarray(rgb).quantize(200)
    for ending in ("png", "tif"):
        palette.save(f"in.{ending}")
        through(f"in.{ending}", np.asarray(palette.convert("RGB")), f"Pillow palette {ending}")
    bits = Image.fromarray((grey > 128).astype(np.uint8) * 255).convert("1")
    bits.save("in.png")
    through("in.png", np.asarray(bits.convert("L")), "Pillow PNG of 1 bit")
    Image.fromarray(pattern(61, 83, 1, np.uint16)).save("in.png")
    through("in.png", pattern(61, 83, 1, np.uint16), "Pillow PNG grey 16 bits")


def opencv_in():
    for channels in (1, 3):
        pixels = pattern(61, 83, channels, np.uint16)
        stored = pixels if channels == 1 else pixels[..., ::-1]
        for ending, flags in (("png", []), ("tif", [cv2.IMWRITE_TIFF_COMPRESSION, 1]), ("tif", [cv2.IMWRITE_TIFF_COMPRESSION, 5]),
                              ("tif", [cv2.IMWRITE_TIFF_COMPRESSION, 8])):
            cv2.imwrite(f"in.{ending}", stored, flags)
            through(f"in.{ending}", pixels, f"OpenCV {ending} 16 bits {channels} channels {flags}")


def tifffile_both_ways():
    """An encoder and decoder of TIFF that shares no code with libtiff; only where it is installed."""
    try:
        import tifffile
    except ImportError:
        return
    for order in "<", ">":
        for big in False, True:
            for dtype in np.uint8, np.uint16:
                for channels in 1, 3:
                    pixels = pattern(61, 83, channels, dtype)
                    photometric = "rgb" if channels == 3 else "minisblack"
                    for layout in {}, {"tile": (32, 16)}, {"rowsperstrip": 5}, {"planarconfig": "separate"}:
                        if "planarconfig" in layout and channels == 1:
                            continue
                        stored = np.moveaxis(pixels, -1, 0) if "planarconfig" in layout else pixels
                        for compression in None, "zlib":
                            tifffile.imwrite("in.tif", stored, byteorder=order, bigtiff=big, photometric=photometric,
                                             compression=compression, metadata=None, **layout)
                            name = f"tifffile {order} big {big} {np.dtype(dtype)} x {channels} {layout} {compression}"
                            check(name + " is read", run("in.tif", "out.tif") is not None)
                            same("out.tif", pixels, name)
                    got = tifffile.imread("out.tif")
                    check(f"tifffile reads {np.dtype(dtype)} x {channels}", got.dtype == pixels.dtype and (got == pixels).all())


def jpeg_in():
    """Both sides decode by libjpeg-turbo with its default transform and upsampling: the same bits."""
    smooth = cv2.GaussianBlur(pattern(123, 181, 3, np.uint8), (0, 0), 2)
    for subsampling in (0, 1, 2):
        for progressive in (False, True):
            Image.fromarray(smooth).save("in.jpg", quality=90, subsampling=subsampling, progressive=progressive)
            through("in.jpg", np.asarray(Image.open("in.jpg")), f"Pillow JPEG subsampling {subsampling} progressive {progressive}")
    Image.fromarray(smooth[..., 0]).save("in.jpg", quality=90)
    through("in.jpg", np.asarray(Image.open("in.jpg")), "Pillow JPEG grey")
    Image.fromarray(smooth).convert("CMYK").save("cmyk.jpg")
    check("CMYK JPEG is refused", run("cmyk.jpg") is None)


def exif_block(orientation):
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0112] = "Rail Works", "Macro III", orientation
    exif[0x8769] = {0x829A: IFDRational(10, 1250), 0x829D: IFDRational(28, 10), 0x8827: 400, 0x920A: IFDRational(505, 10),
                    0x9003: "2024:02:29 23:59:58", 0x9291: "25"}
    return exif.tobytes()


def orientation_in():
    """Pillow's exif_transpose is the measure of upright, on PNG (it leaves TIFF as stored); JPEG by its own decode."""
    pixels = pattern(40, 64, 3, np.uint8)
    for orientation in range(1, 9):
        for ending in ("jpg", "png", "tif"):
            Image.fromarray(pixels).save(f"in.{ending}", exif=exif_block(orientation))
            if ending != "tif":
                upright = np.asarray(ImageOps.exif_transpose(Image.open(f"in.{ending}")))
            said = run(f"in.{ending}", "out.tif")
            check(f"orientation {orientation} of {ending} is read", said is not None and said["orientation"] == str(orientation))
            same("out.tif", upright, f"orientation {orientation} of {ending}")


def luma_in():
    """Reduced luma against block means of luma with the weights of ITU-R BT.601. PNG: exact to float rounding of 8-bit
    means. JPEG at 8: the block mean itself, rounded (half a level) from luma that was rounded on both sides (one level)."""
    smooth = cv2.GaussianBlur(pattern(200, 312, 3, np.uint8), (0, 0), 3)
    Image.fromarray(smooth).save("in.png")
    Image.fromarray(smooth).save("in.jpg", quality=97, subsampling=2)
    for path, tolerance in (("in.png", 1e-5), ("in.jpg", 1.5 / 255)):
        decoded = np.asarray(Image.open(path)).astype(np.float64) / 255
        luma = decoded @ np.array([0.299, 0.587, 0.114])
        for reduce in (1, 2, 4, 8):
            height, width = luma.shape[0] // reduce, luma.shape[1] // reduce
            means = luma[: height * reduce, : width * reduce].reshape(height, reduce, width, reduce).mean(axis=(1, 3))
            run("--luma", str(reduce), path, "luma.tif")
            got = load("luma.tif")
            worst = np.abs(got - means).max() if got is not None and got.shape == means.shape else np.inf
            # At 1, 2 and 4 chroma rounding (1) and the reduced transform's low-pass (2, 4) are in it: mean, not worst.
            if path == "in.jpg" and reduce < 8:
                worst = np.abs(got - means).mean()
            check(f"luma of {path} reduced by {reduce}", worst <= tolerance, f"off by {worst * 255:.3f} levels")


def metadata_out():
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    pixels = pattern(40, 64, 3, np.uint8)
    for source in ("jpg", "png", "tif"):
        Image.fromarray(pixels).save(f"in.{source}", exif=exif_block(6), icc_profile=profile)
        for ending in ("tif", "png", "jpg"):
            name = f"{source} -> {ending}"
            said = run(f"in.{source}", f"out.{ending}", "lichen pebble")
            check(name + " capture time", said is not None and said["capture_time_ms"] == "1709251198250")
            image = Image.open(f"out.{ending}")
            exif = image.getexif()
            shot = exif.get_ifd(0x8769)
            check(name + " profile", image.info.get("icc_profile") == profile)
            check(name + " camera", (exif.get(0x010F), exif.get(0x0110)) == ("Rail Works", "Macro III"), dict(exif))
            check(name + " orientation", exif.get(0x0112) == 1)
            check(name + " software", str(exif.get(0x0131)).startswith("railfold "))
            numbers = [float(shot.get(tag, 0)) for tag in (0x829A, 0x829D, 0x8827, 0x920A)]
            # ratios are written good to 1e-7; TIFF sources give single floats, 6e-8
            check(name + " exposure", np.allclose(numbers, [1 / 125, 2.8, 400, 50.5], rtol=1e-6), numbers)
            check(name + " time", (shot.get(0x9003), shot.get(0x9291)) == ("2024:02:29 23:59:58", "250"), dict(shot))
            text = {"tif": exif.get(0x010E), "png": image.info.get("Description"), "jpg": image.info.get("comment")}[ending]
            check(name + " description", text in ("lichen pebble", b"lichen pebble"), text)
            known = subprocess.run([TOOL, "--known", f"out.{ending}", f"in.{source}"], capture_output=True, text=True).stdout.split()
            check(name + " is known as own output", known[:2] == ["1", "1"] and known[3:5] == ["1", "0"], known)


def jpeg_out():
    smooth = cv2.GaussianBlur(pattern(123, 181, 3, np.uint8), (0, 0), 2)
    Image.fromarray(smooth).save("in.png")
    run("in.png", "out.jpg")
    ratio = cv2.PSNR(load("out.jpg"), smooth)
    Image.fromarray(smooth).save("same.jpg", quality=95, subsampling=0)
    expected = cv2.PSNR(load("same.jpg"), smooth)
    check("JPEG is what quality 95 without subsampling gives", abs(ratio - expected) < 0.01, f"{ratio:.2f} dB, not {expected:.2f}")


def maps():
    rng = np.random.default_rng(4)
    depth = rng.normal(20, 7, (77, 93)).astype(np.float32)
    cv2.imwrite("map.tif", depth)
    run("--map", "map.tif", "out.tif")
    same("out.tif", depth, "float map through railfold")
    with Image.open("out.tif") as image:
        check("float map is read by Pillow", image.mode == "F" and (np.asarray(image) == depth).all())
    check("float TIFF is no frame", run("map.tif") is None)
    cv2.imwrite("map.png", pattern(77, 93, 1, np.uint16))
    run("--map", "map.png", "out.tif")
    same("out.tif", pattern(77, 93, 1, np.uint16).astype(np.float32), "16-bit map, values as stored")


if not os.access(TOOL, os.X_OK):
    print("not built:", TOOL)
    sys.exit(1)
TOOL = os.path.abspath(TOOL)
with tempfile.TemporaryDirectory() as folder:
    os.chdir(folder)
    for part in (pillow_in, opencv_in, tifffile_both_ways, jpeg_in, orientation_in, luma_in, metadata_out, jpeg_out, maps):
        part()
    os.chdir("/")
print(f"{checks} checks, {len(faults)} failed")
sys.exit(1 if faults else 0)
