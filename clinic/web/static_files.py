"""Static files under names that hold their content's hash, also where our scripts import others.

Django can write hashed names into imports of modules, for all scripts or for none; a package that
comes along imports a file that it does not bring. So it is done for our own scripts.
"""

from django.contrib.staticfiles.storage import HashedFilesMixin
from whitenoise.storage import CompressedManifestStaticFilesStorage

OURS = "clinic/*.js"
_, IMPORTS = HashedFilesMixin._js_module_import_aggregation_patterns  # type: ignore[attr-defined]  # noqa: SLF001


class HashedFiles(CompressedManifestStaticFilesStorage):  # type: ignore[misc]
    patterns = (*HashedFilesMixin.patterns, (OURS, IMPORTS))
