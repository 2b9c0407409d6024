# ---
# jupyter:
#   jupytext:
#     text_representation:
#       extension: .py
#       format_name: percent
#   kernelspec:
#     display_name: Python 3
#     language: python
#     name: python3
# ---

# %% [markdown]
# # Ground for practice, and a deposit on it
#
# On Mount Ysterra, an invented mountain: where a drill can be held, what comes down near it, and a deposit that a machine
# pushes together there. Planning and training aid. The words are "no start zone in this model reaches it", and their
# limits are part of them: look at the ground above on the day, and ask the local service. In a real accident follow your
# training, the incident lead and the local rescue service; local rules come first.

# %%
import tempfile
from pathlib import Path

import geopandas
import numpy as np
from matplotlib import pyplot as plt

import lastseen

work = Path(tempfile.mkdtemp())
dem = lastseen.demo_file("ysterra.tif")
scenario = lastseen.Scenario(elevation=(dem,), name="Mount Ysterra (invented place)")

# %% [markdown]
# ## All sizes
#
# The same as `lastseen drill sites ysterra.tif`. From every start zone bodies come down with the frictions of the largest
# event that the ground there can hold, up to size 4. On this small mountain they leave no room for a site of 100 x 50 m,
# and the refusal says what can be done.

# %%
try:
    lastseen.find_sites(scenario)
except lastseen.NothingFoundError as error:
    print(error)

# %% [markdown]
# ## Sizes up to 3
#
# The same as `lastseen drill sites ysterra.tif --largest 3 --count 2 -o sites`. Events of size 4 are left out: somebody
# has to know that they cannot happen here on that day, and every map and file says that they were left out.

# %%
view = lastseen.find_sites(scenario, lastseen.SiteRequest(most_size=3, count=2))
lastseen.write(view, work / "sites")
print(lastseen.describe(view, "sites"))

# %% [markdown]
# Grey is ground that bodies reach, the darkest with every friction; the lines are start zones, the boxes are the sites.

# %%
search = view.search
west, south, east, north = search.reach.share.bounds
figure, axes = plt.subplots(figsize=(7, 6))
axes.imshow(search.reach.share.values, extent=(west, east, south, north), cmap="Greys", vmax=3.0)
ground = search.starts.ground
x, y = (
    ground.centre_of(*cells)[k]
    for k, cells in enumerate([(0, np.arange(ground.shape[1])), (np.arange(ground.shape[0]), 0)])
)
axes.contour(x, y, search.starts.zones > 0, levels=[0.5], colors="black", linewidths=0.6)
for site in search.sites:
    axes.plot(*site.outline.exterior.xy, color="black", linewidth=2)
    axes.annotate(f"site {site.number}", site.middle_m, xytext=(-50, 0), textcoords="offset points")
axes.set(xlabel="east, m", ylabel="north, m", title="Share of the frictions with which a body comes")
axes.ticklabel_format(style="plain", useOffset=False)
plt.show()

# %% [markdown]
# ## A deposit on the first site
#
# The same as `lastseen drill deposit ysterra.tif --sites sites --size 2 --seed 5 -o deposit`: the volume of the class, lobes
# and hummocks by seed, and which square gives its snow to which. Volumes are checked against each other: what is cut,
# times the packing, is what is filled.

# %%
made = lastseen.lay_deposit((dem,), work / "sites", 1, size=2, seed=5)
lastseen.write(made, work / "deposit")
print(lastseen.describe(made, "deposit"))

# %% [markdown]
# `outline.geojson` is what a search is laid over: `lastseen strips deposit/outline.geojson --dem ysterra.tif`.

# %%
outline = geopandas.read_file(work / "deposit" / "outline.geojson").to_crs(made.frame.crs).union_all()
push = made.pushing
print(f"{outline.area:.0f} m2; cut {push.cut_m3:.0f} m3 x {push.packing:g} = {push.fill_m3:.0f} m3 filled")
print(*sorted(file.name for folder in ("sites", "deposit") for file in (work / folder).iterdir()), sep="\n")
