from django.apps import AppConfig
from django.db.models.signals import post_migrate, pre_migrate


class ClinicConfig(AppConfig):
    name = "clinic"

    def ready(self) -> None:
        from clinic import durability, form_words, guards, sign_ins  # noqa: F401  # app ready: checks register

        pre_migrate.connect(guards.allow_rebuilding, dispatch_uid="rebuilding")
        # after the last app has migrated, since its tables carry guards as well
        post_migrate.connect(guards.restore, dispatch_uid="guards")
        sign_ins.listen()
        form_words.use()
